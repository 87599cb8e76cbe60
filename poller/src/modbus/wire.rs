//! The connection, watched: between the client library and the socket.
//!
//! The library trusts what it reads: it waits without end for a frame of 65535 bytes, takes nine registers for ten, skips
//! garbage before an RTU frame, and forgets bytes that came unasked. So every request is looked at as it leaves and every
//! answer as it arrives, byte by byte, and the first thing that cannot be part of the answer ends the connection ([`super::due`]). As a last
//! line of defence nothing but a read request passes towards the device.

use std::io::{self, ErrorKind, Read as _};
use std::pin::Pin;
use std::task::{Context, Poll, ready};

use socket2::SockRef;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;

use super::Framing;
use super::due::{Due, WireFault};

/// A TCP connection to a device, watched as described above.
#[derive(Debug)]
pub(super) struct Wire {
    stream: TcpStream,
    framing: Framing,
    /// Bytes of the current request that the socket has not taken yet.
    unsent: usize,
    due: Option<Due>,
}

impl Wire {
    pub(super) const fn new(stream: TcpStream, framing: Framing) -> Self {
        Self { stream, framing, unsent: 0, due: None }
    }

    /// Discards what has arrived already. Used once, after the quiet period of a fresh connection.
    pub(super) fn discard_waiting(&self) -> io::Result<usize> {
        let mut discarded = 0;
        let mut buffer = [0; 512];
        loop {
            match read_now(&self.stream, &mut buffer) {
                Ok(0) => return Err(WireFault::EndedIdle.into_io()),
                Ok(n) => discarded += n,
                Err(e) if e.kind() == ErrorKind::WouldBlock => return Ok(discarded),
                Err(e) => return Err(e),
            }
        }
    }

    /// An answer must not be there before its question.
    fn nothing_waiting(&self) -> io::Result<()> {
        let mut buffer = [0; 16];
        match read_now(&self.stream, &mut buffer) {
            Ok(0) => Err(WireFault::EndedIdle.into_io()),
            Ok(n) => {
                let shown: Vec<_> = buffer[..n].iter().map(|b| format!("{b:02X}")).collect();
                let what = format!("bytes came before they were asked for ({})", shown.join(" "));
                Err(WireFault::Wrong(what).into_io())
            }
            Err(e) if e.kind() == ErrorKind::WouldBlock => Ok(()),
            // the peer reset the connection while nothing was asked
            Err(_) => Err(WireFault::EndedIdle.into_io()),
        }
    }
}

/// Reads what the system holds for the socket at this moment. The runtime's own readiness may lag behind it.
fn read_now(stream: &TcpStream, buffer: &mut [u8]) -> io::Result<usize> {
    (&*SockRef::from(stream)).read(buffer)
}

impl AsyncRead for Wire {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let Some(mut due) = self.due else {
            return Poll::Ready(Err(WireFault::Wrong("nothing was asked".into()).into_io()));
        };
        if due.complete() {
            // all of it has come, and the library still cannot read it
            return Poll::Ready(Err(WireFault::Wrong("the frame's checksum is wrong".into()).into_io()));
        }
        let before = buf.filled().len();
        ready!(Pin::new(&mut self.stream).poll_read(cx, buf))?;
        let new = &buf.filled()[before..];
        if new.is_empty() {
            return Poll::Ready(Err(WireFault::EndedEarly(due.received).into_io()));
        }
        let taken = due.take(new);
        self.due = Some(due);
        Poll::Ready(taken.map_err(WireFault::into_io))
    }
}

impl AsyncWrite for Wire {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        if self.unsent == 0 {
            let due = Due::after(self.framing, buf).map_err(WireFault::into_io)?;
            self.nothing_waiting()?;
            let sent = ready!(Pin::new(&mut self.stream).poll_write(cx, buf))?;
            self.due = Some(due);
            self.unsent = buf.len() - sent;
            return Poll::Ready(Ok(sent));
        }
        let rest = &buf[..buf.len().min(self.unsent)];
        let sent = ready!(Pin::new(&mut self.stream).poll_write(cx, rest))?;
        self.unsent -= sent;
        Poll::Ready(Ok(sent))
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}
