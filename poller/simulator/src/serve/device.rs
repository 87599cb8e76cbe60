//! One endpoint on the wire: reads are answered, everything else is refused.

use std::future::{Ready, ready};
use std::io;
use std::net::SocketAddr;
use std::sync::{Arc, PoisonError, RwLock};
use std::time::Duration;

use tokio::net::{TcpListener, TcpStream};
use tokio_modbus::server::{Service, tcp::Server};
use tokio_modbus::{ExceptionCode, Request, Response, SlaveRequest};
use tokio_util::sync::CancellationToken;

use crate::Fleet;
use crate::layout::{Image, Table};

/// Pause after a connection could not be accepted (no file handles left, for one).
const PAUSE: Duration = Duration::from_secs(1);
/// Most registers, and bits, of one read (MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.4).
const MOST_WORDS: u16 = 125;
const MOST_BITS: u16 = 2000;

/// The controls behind one endpoint.
#[derive(Debug)]
pub(super) struct Device {
    endpoint: usize,
    /// Numbers of its regulators.
    regulators: Vec<usize>,
    now: RwLock<Now>,
}

#[derive(Debug)]
struct Now {
    out: bool,
    /// By unit.
    controls: Vec<(u16, Image)>,
}

impl Device {
    pub(super) fn new(fleet: &Fleet, endpoint: usize) -> Self {
        let all = fleet.plan.regulators.iter().enumerate();
        let mine: Vec<_> = all.filter(|(_, r)| r.endpoint == endpoint).collect();
        let mut controls: Vec<(u16, Image)> = Vec::new();
        for (_, regulator) in &mine {
            if controls.iter().all(|(unit, _)| *unit != regulator.unit) {
                controls.push((regulator.unit, regulator.layout.blank()));
            }
        }
        let regulators = mine.iter().map(|(number, _)| *number).collect();
        let device = Self { endpoint, regulators, now: RwLock::new(Now { out: false, controls }) };
        device.refresh(fleet);
        device
    }

    /// Brings the registers up to date.
    pub(super) fn refresh(&self, fleet: &Fleet) {
        let mut now = self.now.write().unwrap_or_else(PoisonError::into_inner);
        now.out = fleet.is_out(self.endpoint);
        for &number in &self.regulators {
            let regulator = &fleet.plan.regulators[number];
            if let Some((_, image)) = now.controls.iter_mut().find(|(unit, _)| *unit == regulator.unit) {
                regulator.layout.write(image, regulator.position, &fleet.metered(number));
            }
        }
    }

    fn is_out(&self) -> bool {
        self.now.read().unwrap_or_else(PoisonError::into_inner).out
    }

    /// The answer to one request; none while the endpoint is out.
    fn answer(&self, unit: u8, request: &Request<'_>) -> Result<Option<Response>, ExceptionCode> {
        let now = self.now.read().unwrap_or_else(PoisonError::into_inner);
        if now.out {
            return Ok(None);
        }
        let (_, image) = now
            .controls
            .iter()
            .find(|(known, _)| *known == u16::from(unit))
            .ok_or(ExceptionCode::GatewayTargetDevice)?;
        let words = |table, address, count| words(image, table, address, count, MOST_WORDS);
        let bits = |table, address, count| -> Result<Vec<bool>, ExceptionCode> {
            Ok(self::words(image, table, address, count, MOST_BITS)?.iter().map(|b| *b != 0).collect())
        };
        Ok(Some(match *request {
            Request::ReadCoils(a, n) => Response::ReadCoils(bits(Table::Coil, a, n)?),
            Request::ReadDiscreteInputs(a, n) => Response::ReadDiscreteInputs(bits(Table::Discrete, a, n)?),
            Request::ReadHoldingRegisters(a, n) => {
                Response::ReadHoldingRegisters(words(Table::Holding, a, n)?.to_vec())
            }
            Request::ReadInputRegisters(a, n) => {
                Response::ReadInputRegisters(words(Table::Input, a, n)?.to_vec())
            }
            _ => return Err(ExceptionCode::IllegalFunction),
        }))
    }
}

fn words(image: &Image, table: Table, address: u16, count: u16, most: u16) -> Result<&[u16], ExceptionCode> {
    if count == 0 || count > most {
        return Err(ExceptionCode::IllegalDataValue);
    }
    image.read(table, address, count).ok_or(ExceptionCode::IllegalDataAddress)
}

/// One connection's view of the device.
struct Session(Arc<Device>);

impl Service for Session {
    type Request = SlaveRequest<'static>;
    type Response = Option<Response>;
    type Exception = ExceptionCode;
    type Future = Ready<Result<Option<Response>, ExceptionCode>>;

    fn call(&self, request: SlaveRequest<'static>) -> Self::Future {
        ready(self.0.answer(request.slave, &request.request))
    }
}

/// Answers at this listener until stopped. While the endpoint is out, connections that exist get no answer and new ones are
/// closed at once.
pub(super) async fn answer(listener: TcpListener, device: Arc<Device>, stop: CancellationToken) {
    let server = Server::new(listener);
    let accept = |stream: TcpStream, _: SocketAddr| ready(open(&device, stream));
    while !stop.is_cancelled() {
        // A peer that hangs up or sends nonsense is the peer's affair.
        let ignore = |error: io::Error| tracing::debug!(%error, "simulated endpoint: connection ended");
        if let Some(Err(error)) = stop.run_until_cancelled(server.serve(&accept, ignore)).await {
            tracing::warn!(%error, endpoint = device.endpoint, "simulated endpoint cannot accept connections");
            stop.run_until_cancelled(tokio::time::sleep(PAUSE)).await;
        }
    }
}

#[allow(clippy::unnecessary_wraps, reason = "the server's own signature")]
fn open(device: &Arc<Device>, stream: TcpStream) -> io::Result<Option<(Session, TcpStream)>> {
    // A socket that is gone already fails on its first read.
    stream.set_nodelay(true).ok();
    Ok((!device.is_out()).then(|| (Session(Arc::clone(device)), stream)))
}

#[cfg(test)]
mod tests {
    use chrono::TimeDelta;
    use tokio::io::{AsyncReadExt, AsyncWriteExt};

    use super::*;
    use crate::stories::When;

    fn fleet() -> Fleet {
        Fleet::new(1, "2026-10-21T06:00:00Z".parse().unwrap())
    }

    #[test]
    fn what_is_not_there_is_refused_by_its_proper_exception() {
        let device = Device::new(&fleet(), 0);
        let answer = |unit, request| device.answer(unit, &request);
        for (unit, request, exception) in [
            (1, Request::ReadInputRegisters(999, 1), ExceptionCode::IllegalDataAddress),
            (1, Request::ReadInputRegisters(1119, 2), ExceptionCode::IllegalDataAddress),
            (1, Request::ReadCoils(0, 1), ExceptionCode::IllegalDataAddress),
            (1, Request::ReadInputRegisters(1000, 0), ExceptionCode::IllegalDataValue),
            (1, Request::ReadInputRegisters(1000, 126), ExceptionCode::IllegalDataValue),
            (2, Request::ReadInputRegisters(1000, 1), ExceptionCode::GatewayTargetDevice),
            (1, Request::WriteSingleRegister(500, 1), ExceptionCode::IllegalFunction),
            (1, Request::WriteSingleCoil(0, true), ExceptionCode::IllegalFunction),
        ] {
            assert_eq!(answer(unit, request.clone()), Err(exception), "{request:?}");
        }
        assert!(answer(1, Request::ReadInputRegisters(1000, 120)).is_ok());
    }

    /// Bytes by MODBUS Application Protocol Specification V1.1b3, 6.6 and 7, and the TCP header of the implementation guide V1.0b.
    #[tokio::test]
    async fn a_write_is_refused_on_the_wire() {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let stop = CancellationToken::new();
        let task = tokio::spawn(answer(listener, Arc::new(Device::new(&fleet(), 0)), stop.clone()));
        let mut peer = TcpStream::connect(address).await.unwrap();
        peer.write_all(&[0, 9, 0, 0, 0, 6, 1, 6, 1, 244, 0, 1]).await.unwrap();
        let mut reply = [0; 9];
        peer.read_exact(&mut reply).await.unwrap();
        assert_eq!(reply, [0, 9, 0, 0, 0, 3, 1, 0x86, 1]);
        stop.cancel();
        task.await.unwrap();
    }

    #[tokio::test]
    async fn while_it_is_out_nobody_is_answered_and_nobody_gets_in() {
        let mut fleet = fleet();
        let story = fleet.stories().into_iter().find(|s| s.name == "dropout").unwrap();
        let When::Spells(spells) = story.when else { panic!("{:?}", story.when) };
        let device = Arc::new(Device::new(&fleet, story.endpoint.unwrap()));
        let request = Request::ReadInputRegisters(1000, 3);
        assert!(matches!(device.answer(1, &request), Ok(Some(_))));

        fleet.advance_to(spells[0].0 + TimeDelta::minutes(1));
        device.refresh(&fleet);
        assert_eq!(device.answer(1, &request), Ok(None));
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let stop = CancellationToken::new();
        let task = tokio::spawn(answer(listener, Arc::clone(&device), stop.clone()));
        let mut peer = TcpStream::connect(address).await.unwrap();
        assert_eq!(peer.read(&mut [0; 1]).await.unwrap(), 0);

        fleet.advance_to(spells[0].1);
        device.refresh(&fleet);
        assert!(matches!(device.answer(1, &request), Ok(Some(_))));
        stop.cancel();
        task.await.unwrap();
    }
}
