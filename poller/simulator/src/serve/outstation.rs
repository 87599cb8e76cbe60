//! One endpoint that speaks DNP3: the controls behind it are outstations on one connection.

use std::io;
use std::net::SocketAddr;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use chrono::Utc;
use dnp3::Now;
use dnp3::link::Address;
use dnp3::net;
use dnp3::objects::{Timestamp, attribute::variation};
use dnp3::outstation::{Misbehaviour, Session, SessionConfig, Station};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Notify;
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

use crate::Fleet;

/// Pause after a connection could not be accepted (no file handles left, for one).
const PAUSE: Duration = Duration::from_secs(1);
/// Link address of whoever may ask.
const MASTER: u16 = 1;

/// The outstations behind one endpoint.
#[derive(Debug)]
pub(super) struct Outstations {
    endpoint: usize,
    /// Numbers of its regulators.
    regulators: Vec<usize>,
    station: Mutex<Station>,
    out: AtomicBool,
    started: Instant,
    changed: Arc<Notify>,
}

impl Outstations {
    pub(super) fn new(fleet: &Fleet, endpoint: usize) -> Self {
        let all = fleet.plan.regulators.iter().enumerate();
        let mine: Vec<_> = all.filter(|(_, r)| r.endpoint == endpoint).collect();
        let mut units: Vec<u16> = mine.iter().map(|(_, r)| r.unit).collect();
        units.dedup();
        let sessions = units.iter().filter_map(|unit| {
            let of_unit: Vec<_> = mine.iter().filter(|(_, r)| r.unit == *unit).collect();
            let positions = of_unit.iter().map(|(_, r)| r.position).max()?;
            let (_, first) = of_unit.first()?;
            let mut database = first.layout.database(positions);
            database.set_attribute(variation::MANUFACTURER, "Tapkeeper");
            database.set_attribute(variation::MODEL, first.layout.profile());
            database.set_attribute(variation::SOFTWARE_VERSION, env!("CARGO_PKG_VERSION"));
            database.set_attribute(variation::SERIAL_NUMBER, &format!("{endpoint:03}-{unit}"));
            let config = SessionConfig::new(Address::from_wire(*unit), Address::from_wire(MASTER));
            Some(Session::new(config, database))
        });
        let device = Self {
            endpoint,
            station: Mutex::new(Station::new(sessions.collect())),
            regulators: mine.iter().map(|(number, _)| *number).collect(),
            out: AtomicBool::new(false),
            started: Instant::now(),
            changed: Arc::default(),
        };
        device.refresh(fleet);
        device
    }

    fn now(&self) -> Now {
        let wall = u64::try_from(Utc::now().timestamp_millis()).unwrap_or(0);
        Now { monotonic: self.started.elapsed(), wall: Timestamp::from_millis(wall) }
    }

    /// Brings the points up to date; what changed becomes events.
    pub(super) fn refresh(&self, fleet: &Fleet) {
        let (now, out) = (self.now(), fleet.is_out(self.endpoint));
        let mut station = self.station.lock().unwrap_or_else(PoisonError::into_inner);
        if self.out.swap(out, Ordering::Relaxed) != out {
            let silence = Misbehaviour { silent: out, ..Misbehaviour::default() };
            let addresses: Vec<_> = station.sessions().map(Session::address).collect();
            for address in addresses {
                station.misbehave(address, silence, now);
            }
        }
        for &number in &self.regulators {
            let regulator = &fleet.plan.regulators[number];
            if let Some(session) = station.session_mut(Address::from_wire(regulator.unit)) {
                regulator.layout.update(session, regulator.position, &fleet.metered(number), now);
            }
        }
        drop(station);
        self.changed.notify_waiters();
    }

    async fn serve(&self, stream: TcpStream) -> io::Result<()> {
        stream.set_nodelay(true)?;
        net::answer(stream, &self.station, || self.now(), &self.changed).await
    }
}

/// Answers at this listener until stopped, one connection at a time: a new one takes the place of the one before. While the
/// endpoint is out, connections that exist get no answer and new ones are closed at once.
pub(super) async fn answer(listener: TcpListener, device: Arc<Outstations>, stop: CancellationToken) {
    let serving = async {
        let mut next: Option<(TcpStream, SocketAddr)> = None;
        loop {
            let accepted = match next.take() {
                Some(accepted) => Ok(accepted),
                None => listener.accept().await,
            };
            match accepted {
                Ok(_) if device.out.load(Ordering::Relaxed) => {}
                Ok((stream, _)) => {
                    tokio::select! {
                        // A peer that hangs up or sends nonsense is the peer's affair.
                        ended = device.serve(stream) => {
                            if let Err(error) = ended {
                                tracing::debug!(%error, "simulated outstations: connection ended");
                            }
                        }
                        accepted = listener.accept() => next = accepted.ok(),
                    }
                }
                Err(error) => {
                    tracing::warn!(%error, endpoint = device.endpoint, "simulated endpoint cannot accept connections");
                    tokio::time::sleep(PAUSE).await;
                }
            }
        }
    };
    let _stopped: Option<()> = stop.run_until_cancelled(serving).await;
}
