//! A connection of a master: bytes in and out, and a timer.

use std::io;
use std::pin::pin;
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::sync::mpsc;
use tokio::time::{Instant, sleep_until, timeout};

use super::{PIECE, WRITE_TIMEOUT};
use crate::master::{Channel, Host, Now, Token};

/// How far ahead the timer is set when nothing is due.
const FAR: Duration = Duration::from_secs(3600);

/// Why a connection is over.
#[derive(Debug, thiserror::Error)]
pub enum Ended {
    /// The peer ended it.
    #[error("the peer ended the connection")]
    ByPeer,
    /// It failed.
    #[error("the connection failed: {0}")]
    Failed(#[from] io::Error),
    /// The channel wanted no more of it.
    #[error("closed: {0}")]
    Closed(String),
}

/// Runs a channel over a connection until that ends. `now` tells the time; `stored` brings what was stored, with true, or lost,
/// with false. Dropping the future drops the connection; the caller then calls [`Channel::disconnected`], as after an end.
///
/// Set TCP_NODELAY on the stream: a peer that waits for an acknowledgement in the middle of a long fragment is slowed to a
/// crawl otherwise.
pub async fn drive(
    stream: impl AsyncRead + AsyncWrite,
    channel: &mut Channel,
    host: &mut impl Host,
    now: impl Fn() -> Now,
    stored: &mut mpsc::UnboundedReceiver<(Token, bool)>,
) -> Ended {
    let mut stream = pin!(stream);
    let mut piece = vec![0; PIECE];
    let mut timer = pin!(sleep_until(Instant::now()));
    channel.connected(now());
    loop {
        channel.tick(now(), host);
        if let Err(error) = send(&mut stream, channel).await {
            return error.into();
        }
        if let Some(reason) = channel.close_reason() {
            return Ended::Closed(reason.to_owned());
        }
        let time = now().monotonic;
        let wait = channel.next_deadline(time).map_or(FAR, |at| at.saturating_sub(time));
        timer.as_mut().reset(Instant::now() + wait);
        tokio::select! {
            read = stream.read(&mut piece) => match read {
                Ok(0) => return Ended::ByPeer,
                Ok(length) => channel.receive(&piece[..length], now(), host),
                Err(error) => return error.into(),
            },
            Some((token, whether)) = stored.recv() => channel.stored(token, whether, now(), host),
            () = &mut timer => {}
        }
    }
}

async fn send(stream: &mut (impl AsyncWrite + Unpin), channel: &mut Channel) -> io::Result<()> {
    let output = channel.output();
    if output.is_empty() {
        return Ok(());
    }
    // a stream that keeps bytes back, as one of TLS may, has to be told that there are no more
    let writing = async {
        stream.write_all(output).await?;
        stream.flush().await
    };
    timeout(WRITE_TIMEOUT, writing).await.map_err(io::Error::from)??;
    output.clear();
    // so that a short burst does not keep its memory for ever
    output.shrink_to(PIECE);
    Ok(())
}
