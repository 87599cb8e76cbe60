//! A connection to a DNP3 endpoint: TCP, or TLS over it.

use std::io;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll, ready};
use std::time::Duration;

use rustls::pki_types::ServerName;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::time::{Instant, timeout_at};
use tokio_rustls::{TlsConnector, client::TlsStream};

use super::refusal::{Peer, refused};
use super::tls::Tls;

/// Any stream.
pub(crate) trait Stream: AsyncRead + AsyncWrite + Unpin + Send {}
impl<T: AsyncRead + AsyncWrite + Unpin + Send> Stream for T {}

/// Connects within the time; with TLS if `tls` is asked for.
pub(crate) async fn connect(
    host: &str,
    port: u16,
    tls: Option<&Tls>,
    within: Duration,
) -> io::Result<Box<dyn Stream>> {
    let deadline = Instant::now() + within;
    let late = |what: String| io::Error::new(io::ErrorKind::TimedOut, what);
    let millis = within.as_millis();
    let stream = timeout_at(deadline, TcpStream::connect((host, port)))
        .await
        .map_err(|_| late(format!("no connection within {millis} ms")))??;
    stream.set_nodelay(true)?;
    let Some(tls) = tls else { return Ok(Box::new(stream)) };
    let stream = timeout_at(deadline, secure(host, stream, tls)).await.map_err(|_| {
        late(format!(
            "it took the connection and did not complete the TLS handshake within {millis} ms; if it speaks plain DNP3 at this \
             port, its address begins with dnp3-tcp://"
        ))
    })??;
    Ok(Box::new(stream))
}

async fn secure(host: &str, stream: TcpStream, tls: &Tls) -> io::Result<Secured> {
    let peer = Peer { host: host.to_owned(), files: Arc::clone(&tls.files) };
    let name = ServerName::try_from(host.to_owned())
        .map_err(|_| refused(format!("'{host}' is no name or IP address that a certificate can be for")))?;
    match TlsConnector::from(Arc::clone(&tls.config)).connect(name, stream).await {
        Ok(stream) => Ok(Secured { stream, peer, heard: false }),
        Err(error) if gone(&error) => Err(peer.left_handshake()),
        Err(error) => Err(peer.explain(error)),
    }
}

fn gone(error: &io::Error) -> bool {
    use io::ErrorKind::{BrokenPipe, ConnectionReset, UnexpectedEof};
    matches!(error.kind(), UnexpectedEof | ConnectionReset | BrokenPipe)
}

/// A stream that can say why the other side will not have it.
struct Secured {
    stream: TlsStream<TcpStream>,
    peer: Peer,
    /// The peer has said something, so it takes us for one of its own.
    heard: bool,
}

impl Secured {
    fn explain(&self, error: io::Error) -> io::Error {
        match self.heard {
            false if gone(&error) => self.peer.left_unheard(),
            false => self.peer.explain(error),
            // no longer a refusal: the connection was good
            true => io::Error::new(error.kind(), self.peer.explain(error).to_string()),
        }
    }

    /// What becomes of writing. A peer that turns us away says why and goes; the next read brings what it said, where an error of
    /// writing would only say that it has gone.
    fn wrote<T>(&self, result: io::Result<T>, as_if: T) -> io::Result<T> {
        match result {
            Err(error) if gone(&error) && !self.heard => Ok(as_if),
            Err(error) => Err(self.explain(error)),
            written => written,
        }
    }
}

impl AsyncRead for Secured {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        into: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let before = into.filled().len();
        let read = ready!(Pin::new(&mut self.stream).poll_read(cx, into));
        Poll::Ready(match read {
            Ok(()) if into.filled().len() > before => {
                self.heard = true;
                Ok(())
            }
            Ok(()) if self.heard => Ok(()),
            Ok(()) => Err(self.peer.left_unheard()),
            // a peer that goes without the farewell of TLS: DNP3 sees by itself what is cut short
            Err(error) if self.heard && error.kind() == io::ErrorKind::UnexpectedEof => Ok(()),
            Err(error) => Err(self.explain(error)),
        })
    }
}

impl AsyncWrite for Secured {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let written = ready!(Pin::new(&mut self.stream).poll_write(cx, bytes));
        Poll::Ready(self.wrote(written, bytes.len()))
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let flushed = ready!(Pin::new(&mut self.stream).poll_flush(cx));
        Poll::Ready(self.wrote(flushed, ()))
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}
