//! The least of HTTP: what status a page answers with.

use std::time::Duration;

use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::{TcpListener, TcpStream},
};

/// A port of 127.0.0.1 that was free a moment ago.
///
/// # Panics
/// When there is none.
#[must_use]
pub fn free_port() -> u16 {
    std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

/// The status with which the server at this port answers; none if it does not.
pub async fn get(port: u16, path: &str) -> Option<u16> {
    let asking = async {
        let mut stream = TcpStream::connect(("127.0.0.1", port)).await.ok()?;
        let request = format!("GET {path} HTTP/1.0\r\nHost: 127.0.0.1:{port}\r\n\r\n");
        stream.write_all(request.as_bytes()).await.ok()?;
        let mut head = [0; 12];
        stream.read_exact(&mut head).await.ok()?;
        std::str::from_utf8(&head[9..]).ok()?.parse().ok()
    };
    tokio::time::timeout(Duration::from_secs(10), asking).await.ok()?
}

/// A device that answers every request with the same bytes, whatever was asked. Returns its port.
///
/// # Panics
/// When it cannot listen.
pub async fn babbling_device(answer: &'static [u8]) -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    tokio::spawn(async move {
        while let Ok((mut socket, _)) = listener.accept().await {
            tokio::spawn(async move {
                let mut request = [0; 260];
                while socket.read(&mut request).await.is_ok_and(|n| n > 0) {
                    if socket.write_all(answer).await.is_err() {
                        break;
                    }
                }
            });
        }
    });
    port
}
