//! A relay between the poller and one device: it carries bytes both ways, keeps what each side sent, and spoils what the device says when it is told to.

use std::sync::{Arc, Mutex};
use std::time::Duration;

use chrono::Utc;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc::{UnboundedReceiver, UnboundedSender, unbounded_channel};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use super::capture::Sent;

/// What becomes of the device's words on their way.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) enum Spoil {
    #[default]
    Not,
    /// They are lost.
    Lost,
    /// They come so much later.
    Late(Duration),
    /// The second half is lost.
    Halved,
    /// One byte of the header is another: with Modbus the transaction's number.
    Flipped(usize),
    /// Other bytes come instead.
    Babble(&'static [u8]),
}

enum Order {
    /// These bytes come from the device.
    Say(Vec<u8>),
    /// The connection breaks.
    Break,
}

#[derive(Default)]
struct State {
    sent: Vec<Sent>,
    spoil: Spoil,
    spoilt: usize,
    connections: u16,
    /// To the newest connection.
    orders: Option<UnboundedSender<Order>>,
}

/// One relay. It goes on until [`Relay::end`].
pub(crate) struct Relay {
    /// Where the poller finds it on 127.0.0.1.
    pub(crate) port: u16,
    state: Arc<Mutex<State>>,
    stop: CancellationToken,
    tasks: TaskTracker,
}

impl Relay {
    /// Listens, and carries every connection on to the device at this port.
    pub(crate) async fn start(device: u16) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = listener.local_addr().unwrap().port();
        let relay =
            Self { port, state: Arc::default(), stop: CancellationToken::new(), tasks: TaskTracker::new() };
        relay.tasks.spawn(accept(
            listener,
            device,
            relay.state.clone(),
            relay.stop.clone(),
            relay.tasks.clone(),
        ));
        relay
    }

    /// From now on what the device says is spoilt like this.
    pub(crate) fn spoil(&self, how: Spoil) {
        self.state.lock().unwrap().spoil = how;
    }

    /// Says these bytes to the poller, as if the device had; false if nobody is there.
    pub(crate) fn say(&self, bytes: Vec<u8>) -> bool {
        self.order(Order::Say(bytes))
    }

    /// Breaks the connection.
    pub(crate) fn cut(&self) {
        self.order(Order::Break);
    }

    fn order(&self, order: Order) -> bool {
        self.state.lock().unwrap().orders.as_ref().is_some_and(|orders| orders.send(order).is_ok())
    }

    /// How many connections there have been.
    pub(crate) fn connections(&self) -> u16 {
        self.state.lock().unwrap().connections
    }

    /// How often the poller, or the device, has said something.
    pub(crate) fn heard(&self, from_master: bool) -> usize {
        self.state.lock().unwrap().sent.iter().filter(|sent| sent.from_master == from_master).count()
    }

    /// How often what the device said was spoilt here.
    pub(crate) fn spoilt(&self) -> usize {
        self.state.lock().unwrap().spoilt
    }

    /// Everything that was said, once the poller has hung up.
    pub(crate) async fn end(&self) -> Vec<Sent> {
        self.stop.cancel();
        self.tasks.close();
        self.tasks.wait().await;
        std::mem::take(&mut self.state.lock().unwrap().sent)
    }
}

/// Every connection has a task of its own, so that none is dropped before all is read that the poller said on it.
async fn accept(
    listener: TcpListener,
    device: u16,
    state: Arc<Mutex<State>>,
    stop: CancellationToken,
    tasks: TaskTracker,
) {
    while let Some(accepted) = stop.run_until_cancelled(listener.accept()).await {
        let (master, _) = accepted.unwrap();
        let (orders, obeyed) = unbounded_channel();
        let connection = {
            let mut state = state.lock().unwrap();
            state.connections += 1;
            state.orders = Some(orders);
            state.connections
        };
        tasks.spawn(carry(master, device, Line { state: state.clone(), connection }, obeyed));
    }
}

/// One connection's place in the records.
struct Line {
    state: Arc<Mutex<State>>,
    connection: u16,
}

impl Line {
    fn keep(&self, from_master: bool, bytes: &[u8]) {
        let at = u64::try_from(Utc::now().timestamp_millis()).unwrap();
        let sent = Sent { at, from_master, connection: self.connection, bytes: bytes.to_vec() };
        self.state.lock().unwrap().sent.push(sent);
    }

    /// What is left of the device's words, and after how long.
    fn spoilt(&self, bytes: &[u8]) -> (Vec<u8>, Duration) {
        let mut state = self.state.lock().unwrap();
        state.spoilt += usize::from(state.spoil != Spoil::Not);
        let mut left = bytes.to_vec();
        let mut late = Duration::ZERO;
        match state.spoil {
            Spoil::Not => {}
            Spoil::Lost => left.clear(),
            Spoil::Late(by) => late = by,
            Spoil::Halved => left.truncate(bytes.len() / 2),
            Spoil::Flipped(at) => left.iter_mut().skip(at).take(1).for_each(|byte| *byte ^= 0x55),
            Spoil::Babble(instead) => left = instead.to_vec(),
        }
        (left, late)
    }
}

async fn carry(mut master: TcpStream, device: u16, line: Line, mut orders: UnboundedReceiver<Order>) {
    // what is broken already fails on its first use
    drop(master.set_nodelay(true));
    // a device that takes no connection hangs up
    if let Ok(mut device) = TcpStream::connect(("127.0.0.1", device)).await {
        drop(device.set_nodelay(true));
        let (mut there, mut back) = (vec![0; 16_384], vec![0; 16_384]);
        loop {
            tokio::select! {
                read = master.read(&mut there) => {
                    let Some(length) = read.ok().filter(|length| *length > 0) else { return };
                    line.keep(true, &there[..length]);
                    if device.write_all(&there[..length]).await.is_err() {
                        break;
                    }
                }
                read = device.read(&mut back) => {
                    let Some(length) = read.ok().filter(|length| *length > 0) else { break };
                    let (bytes, late) = line.spoilt(&back[..length]);
                    tokio::time::sleep(late).await;
                    if !bytes.is_empty() && tell(&mut master, &line, &bytes).await.is_err() {
                        break;
                    }
                }
                Some(order) = orders.recv() => {
                    let Order::Say(bytes) = order else { break };
                    if tell(&mut master, &line, &bytes).await.is_err() {
                        break;
                    }
                }
            }
        }
    }
    hang_up(master, &line).await;
}

async fn tell(master: &mut TcpStream, line: &Line, bytes: &[u8]) -> std::io::Result<()> {
    line.keep(false, bytes);
    master.write_all(bytes).await
}

/// Ends a connection from the device's side, and hears the poller out.
async fn hang_up(mut master: TcpStream, line: &Line) {
    // whoever is gone already has heard it
    drop(master.shutdown().await);
    let mut rest = vec![0; 16_384];
    while let Some(length) = master.read(&mut rest).await.ok().filter(|length| *length > 0) {
        line.keep(true, &rest[..length]);
    }
}
