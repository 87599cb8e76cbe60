//! A device made of raw bytes: it answers each request as a test tells it, and records all it was ever sent.

use std::net::SocketAddr;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

use poller::modbus::{Address, Framing};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Notify;
use tokio_util::sync::CancellationToken;

/// One request as it arrived.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Request {
    /// Which connection, from 0.
    pub(crate) connection: usize,
    /// Which request over all connections, from 0.
    pub(crate) number: usize,
    pub(crate) transaction: [u8; 2],
    pub(crate) unit: u8,
    pub(crate) function: u8,
    pub(crate) address: u16,
    pub(crate) count: u16,
    framing: Framing,
}

impl Request {
    /// A frame around this PDU, in the request's framing.
    pub(crate) fn frame(&self, pdu: &[u8]) -> Vec<u8> {
        self.frame_as(self.transaction, self.unit, pdu)
    }

    /// A frame for another transaction or unit.
    pub(crate) fn frame_as(&self, transaction: [u8; 2], unit: u8, pdu: &[u8]) -> Vec<u8> {
        match self.framing {
            Framing::Tcp => {
                let length = u16::try_from(pdu.len() + 1).unwrap().to_be_bytes();
                [&transaction[..], &[0, 0], &length, &[unit], pdu].concat()
            }
            Framing::RtuOverTcp => {
                let body = [&[unit], pdu].concat();
                let crc = crc(&body).to_le_bytes();
                [&body[..], &crc].concat()
            }
        }
    }

    /// The right answer: every register holds its own address plus `add`; every odd bit is set.
    pub(crate) fn answer(&self, add: u16) -> Vec<u8> {
        self.frame(&self.answer_pdu(add, self.count))
    }

    /// The same with another number of items.
    pub(crate) fn answer_pdu(&self, add: u16, count: u16) -> Vec<u8> {
        let data: Vec<u8> = if self.function <= 2 {
            vec![0xAA; usize::from(count).div_ceil(8)]
        } else {
            (0..count).flat_map(|i| self.address.wrapping_add(i).wrapping_add(add).to_be_bytes()).collect()
        };
        [&[self.function, u8::try_from(data.len()).unwrap()], &data[..]].concat()
    }

    /// An exception.
    pub(crate) fn refuse(&self, code: u8) -> Vec<u8> {
        self.frame(&[self.function | 0x80, code])
    }
}

/// CRC-16 of Modbus over Serial Line V1.02, 2.5.1.2.
fn crc(data: &[u8]) -> u16 {
    data.iter().fold(0xFFFF, |crc, byte| {
        (0..8).fold(crc ^ u16::from(*byte), |crc, _| if crc & 1 == 1 { crc >> 1 ^ 0xA001 } else { crc >> 1 })
    })
}

/// What a device does about a request.
#[derive(Debug, Clone)]
pub(crate) enum Act {
    /// Sends these bytes.
    Send(Vec<u8>),
    /// Waits until the test lets it go on.
    Await(Arc<Notify>),
    /// Tells the test that everything before is sent; on loopback that means that it has arrived.
    Tell(Arc<Notify>),
    /// Ends the connection.
    Close,
}

/// A running device; ends with its drop.
pub(crate) struct Peer {
    pub(crate) address: Address,
    log: Arc<Mutex<Vec<Request>>>,
    bytes: Arc<Mutex<Vec<Vec<u8>>>>,
    ended: Arc<AtomicUsize>,
    stop: CancellationToken,
}

impl Peer {
    /// A device that does for each request what `script` says.
    pub(crate) async fn start(
        framing: Framing,
        script: impl Fn(&Request) -> Vec<Act> + Send + Sync + 'static,
    ) -> Self {
        Self::start_at(([127, 0, 0, 1], 0).into(), framing, script).await
    }

    /// The same at a chosen address.
    pub(crate) async fn start_at(
        address: SocketAddr,
        framing: Framing,
        script: impl Fn(&Request) -> Vec<Act> + Send + Sync + 'static,
    ) -> Self {
        let listener = TcpListener::bind(address).await.unwrap();
        let port = listener.local_addr().unwrap().port();
        let peer = Self {
            address: Address { framing, host: "127.0.0.1".into(), port },
            log: Arc::default(),
            bytes: Arc::default(),
            ended: Arc::default(),
            stop: CancellationToken::new(),
        };
        let (log, bytes, stop) = (peer.log.clone(), peer.bytes.clone(), peer.stop.clone());
        let ended = peer.ended.clone();
        let script = Arc::new(script);
        let accepting = async move {
            for connection in 0.. {
                let (stream, _) = listener.accept().await.unwrap();
                let (log, bytes, script) = (log.clone(), bytes.clone(), script.clone());
                let ended = ended.clone();
                bytes.lock().unwrap().push(vec![]);
                tokio::spawn(async move {
                    serve(stream, connection, framing, &log, &bytes, &*script).await;
                    ended.fetch_add(1, Ordering::SeqCst);
                });
            }
        };
        tokio::spawn(async move { stop.run_until_cancelled(accepting).await });
        peer
    }

    /// Every request so far.
    pub(crate) fn requests(&self) -> Vec<Request> {
        self.log.lock().unwrap().clone()
    }

    /// How many connections are over.
    pub(crate) fn ended(&self) -> usize {
        self.ended.load(Ordering::SeqCst)
    }

    /// Every byte received so far, by connection.
    pub(crate) fn bytes(&self) -> Vec<Vec<u8>> {
        self.bytes.lock().unwrap().clone()
    }
}

impl Drop for Peer {
    fn drop(&mut self) {
        self.stop.cancel();
    }
}

async fn serve(
    mut stream: TcpStream,
    connection: usize,
    framing: Framing,
    log: &Mutex<Vec<Request>>,
    bytes: &Mutex<Vec<Vec<u8>>>,
    script: &(impl Fn(&Request) -> Vec<Act> + Sync),
) {
    let header = if framing == Framing::Tcp { 6 } else { 0 };
    let mut frame = vec![0; header + 6 + if header == 0 { 2 } else { 0 }];
    while stream.read_exact(&mut frame).await.is_ok() {
        bytes.lock().unwrap()[connection].extend(&frame);
        let body = &frame[header..];
        let request = {
            let mut log = log.lock().unwrap();
            let request = Request {
                connection,
                number: log.len(),
                transaction: if header > 0 { [frame[0], frame[1]] } else { [0, 0] },
                unit: body[0],
                function: body[1],
                address: u16::from_be_bytes([body[2], body[3]]),
                count: u16::from_be_bytes([body[4], body[5]]),
                framing,
            };
            log.push(request.clone());
            request
        };
        for act in script(&request) {
            match act {
                Act::Send(bytes) => {
                    if stream.write_all(&bytes).await.is_err() {
                        return;
                    }
                }
                Act::Await(notify) => notify.notified().await,
                Act::Tell(notify) => notify.notify_one(),
                Act::Close => return,
            }
        }
    }
}

/// Waits until a condition holds, with a bound.
pub(crate) async fn until(what: &str, mut holds: impl FnMut() -> bool) {
    for _ in 0..1000 {
        if holds() {
            return;
        }
        tokio::time::sleep(std::time::Duration::from_millis(10)).await;
    }
    panic!("waited ten seconds in vain for: {what}");
}
