//! An outstation behind a door, and endpoint tasks that poll.

use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use dnp3::link::Address;
use dnp3::net::answer;
use dnp3::objects::{Flags, Kind, Value};
use dnp3::outstation::{SessionConfig, Station};
use regulator::Reading;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Notify, mpsc};
use tokio::task::JoinSet;
use tokio::time::{Instant, timeout};
use tokio_rustls::TlsAcceptor;
use tokio_util::sync::CancellationToken;

use crate::Tls;
use crate::endpoint::{self, Clock, Context, Failure, LinkSettings, Outcome, Report};
use crate::modbus::Timeouts;
use crate::outstation::tests::{PATIENCE, now, plan, session};

/// Tasks that end with the test.
pub(super) struct Site {
    tasks: JoinSet<()>,
    sender: endpoint::ReportSender,
    reports: mpsc::Receiver<Report>,
}

impl Site {
    pub(super) fn new() -> Self {
        let (sender, reports) = endpoint::channel(10_000);
        Self { tasks: JoinSet::new(), sender, reports }
    }

    /// A peer that does so with every connection, and then leaves it.
    pub(super) async fn peer<F: Future<Output = ()> + Send>(
        &mut self,
        with: impl Fn(TcpStream) -> F + Send + 'static,
    ) -> SocketAddr {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let at = listener.local_addr().unwrap();
        self.tasks.spawn(async move {
            loop {
                let (stream, _) = listener.accept().await.unwrap();
                stream.set_nodelay(true).unwrap();
                with(stream).await;
            }
        });
        at
    }

    /// An outstation at address 10, with a door or without.
    pub(super) async fn outstation(
        &mut self,
        door: Option<TlsAcceptor>,
        edit: impl FnOnce(&mut SessionConfig),
    ) -> SocketAddr {
        let started = Instant::now();
        let mut session = session(10, edit);
        for (kind, index, value) in [
            (Kind::Analog, 0, Value::Analog(121.5)),
            (Kind::Analog, 1, Value::Analog(3.0)),
            (Kind::Counter, 0, Value::Counter(100)),
            (Kind::Binary, 0, Value::Binary(true)),
            (Kind::AnalogOutput, 0, Value::Analog(120.0)),
        ] {
            session.update(kind, index, value, Flags::ONLINE, now(started)).unwrap();
        }
        assert_eq!(session.address(), Address::from_wire(10));
        let station = Arc::new(Mutex::new(Station::new(vec![session])));
        let changed = Arc::new(Notify::new());
        self.peer(move |stream| {
            let (station, changed, door) = (station.clone(), changed.clone(), door.clone());
            async move {
                // how a connection ends is the poller's to tell
                match door {
                    None => drop(answer(stream, &station, || now(started), &changed).await),
                    Some(door) => {
                        if let Ok(stream) = door.accept(stream).await {
                            drop(answer(stream, &station, || now(started), &changed).await);
                        }
                    }
                }
            }
        })
        .await
    }

    /// Polls unit 10 there.
    pub(super) fn poll(&mut self, endpoint_id: i32, address: String, tls: Option<&Tls>, connect: Duration) {
        let context = Context {
            timeouts: Timeouts { connect, ..Timeouts::default() },
            reports: self.sender.clone(),
            clock: Arc::new(Clock::system()),
            stop: CancellationToken::new(),
            tls: tls.cloned(),
        };
        let plan = plan(endpoint_id, address, &[10], &LinkSettings::default());
        self.tasks.spawn(endpoint::run(plan, context));
    }

    async fn next(&mut self) -> Report {
        let report = timeout(PATIENCE, self.reports.recv()).await.expect("a report").expect("tasks run");
        if let Report::Receipt(receipt) = report {
            receipt.stored();
            return Box::pin(self.next()).await;
        }
        report
    }

    pub(super) async fn reading(&mut self, wanted: impl Fn(&Reading) -> bool) -> Reading {
        loop {
            if let Report::Reading { reading, .. } = self.next().await
                && wanted(&reading)
            {
                return reading;
            }
        }
    }

    pub(super) async fn outcome(&mut self, wanted: impl Fn(&Outcome) -> bool) -> Outcome {
        loop {
            if let Report::Outcome(outcome) = self.next().await
                && wanted(&outcome)
            {
                return outcome;
            }
        }
    }

    /// Why an endpoint as a whole is not reached. That is the first that is told of it, and no control behind it is blamed.
    pub(super) async fn refused(&mut self, endpoint_id: i32) -> Failure {
        let outcome = self.outcome(|o| o.endpoint_id == endpoint_id).await;
        assert_eq!(outcome.unit, None, "{outcome:?}");
        outcome.result.expect_err("nothing is read")
    }
}
