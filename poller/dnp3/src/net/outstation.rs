//! A connection of a station: bytes in and out, and a timer.

use std::io;
use std::pin::pin;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::sync::Notify;
use tokio::time::{Instant, sleep_until, timeout};

use super::{PIECE, WRITE_TIMEOUT};
use crate::Now;
use crate::outstation::Station;

/// Looks again at least so often, for values that were changed from elsewhere.
const LOOK: Duration = Duration::from_secs(1);

/// Answers for a station over a connection until that ends. The station is shared with whoever changes its values, who notifies
/// `changed` then; it is locked only for as long as a piece of bytes takes to work through.
///
/// # Errors
/// When the connection fails, or the peer takes nothing for ten seconds.
pub async fn answer(
    stream: impl AsyncRead + AsyncWrite,
    station: &Mutex<Station>,
    now: impl Fn() -> Now,
    changed: &Arc<Notify>,
) -> io::Result<()> {
    // nothing that holds the lock can panic half-way
    let lock = || station.lock().unwrap_or_else(PoisonError::into_inner);
    let mut stream = pin!(stream);
    let mut piece = vec![0; PIECE];
    let mut timer = pin!(sleep_until(Instant::now()));
    let mut sending = Vec::new();
    lock().connected(now());
    let ended = loop {
        let wait = {
            let mut station = lock();
            station.tick(now());
            std::mem::swap(station.output(), &mut sending);
            let time = now().monotonic;
            station.next_deadline().map_or(LOOK, |at| at.saturating_sub(time)).min(LOOK)
        };
        if !sending.is_empty() {
            // a stream that keeps bytes back, as one of TLS may, has to be told that there are no more
            let writing = async {
                stream.write_all(&sending).await?;
                stream.flush().await
            };
            let sent = timeout(WRITE_TIMEOUT, writing).await;
            if let Err(error) = sent.unwrap_or_else(|late| Err(late.into())) {
                break Err(error);
            }
            sending.clear();
        }
        timer.as_mut().reset(Instant::now() + wait);
        tokio::select! {
            read = stream.read(&mut piece) => match read {
                Ok(0) => break Ok(()),
                Ok(length) => lock().receive(&piece[..length], now()),
                Err(error) => break Err(error),
            },
            () = changed.notified() => {}
            () = &mut timer => {}
        }
    };
    lock().disconnected();
    ended
}
