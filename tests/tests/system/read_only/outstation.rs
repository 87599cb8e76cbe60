//! A DNP3 outstation behind a relay, which can be made to go wrong in every way that it knows.

use std::sync::{Arc, Mutex};
use std::time::Duration;

use chrono::Utc;
use dnp3::Now;
use dnp3::application::Indications;
use dnp3::link::{self, Address, Control, Header};
use dnp3::objects::{Class, Flags, Kind, Timestamp, Value};
use dnp3::outstation::{
    Database, Misbehaviour, PointConfig, Restart, Session, SessionConfig, Station, UnsolicitedConfig,
};
use rand::RngExt;
use rand_pcg::Pcg64Mcg;
use system_tests::until;
use tokio::net::TcpListener;
use tokio::sync::Notify;
use tokio::time::{Instant, interval, sleep};

use super::PATIENCE;
use super::relay::Relay;

pub(crate) const MASTER: u16 = 1;
/// Few enough to overflow.
const EVENTS: usize = 100;
/// From one change of a value to the next.
const PACE: Duration = Duration::from_millis(60);
/// More than the poller waits for an answer.
const TOO_LATE: Duration = Duration::from_secs(6);

/// What happens to an outstation, or on the way.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Fault {
    Restart,
    Overflow,
    NeedsTime,
    Break,
    Garbage,
    UncalledFor,
    Complaints,
    Flood,
    Silence,
    Late,
    WrongSequence,
    Truncated,
    BadCrc,
    WrongSource,
}

impl Fault {
    /// Over as soon as they were met.
    pub(crate) const QUICK: [Self; 8] = [
        Self::Restart,
        Self::Garbage,
        Self::NeedsTime,
        Self::UncalledFor,
        Self::Break,
        Self::Complaints,
        Self::Overflow,
        Self::Flood,
    ];
    /// Each keeps the poller waiting for an answer, for seconds.
    pub(crate) const SLOW: [Self; 6] =
        [Self::Silence, Self::WrongSequence, Self::Truncated, Self::Late, Self::BadCrc, Self::WrongSource];

    fn misbehaviour(self) -> Misbehaviour {
        let none = Misbehaviour::default();
        match self {
            Self::Garbage => Misbehaviour { garbage_bytes: 700, ..none },
            Self::Flood => Misbehaviour { flood: Some(Duration::from_millis(1)), ..none },
            Self::Silence => Misbehaviour { silent: true, ..none },
            Self::Late => Misbehaviour { late: TOO_LATE, ..none },
            Self::WrongSequence => Misbehaviour { wrong_sequence: true, ..none },
            Self::Truncated => Misbehaviour { truncated: true, ..none },
            Self::BadCrc => Misbehaviour { bad_crc: true, ..none },
            Self::WrongSource => Misbehaviour { wrong_source: Some(Address::from_wire(MASTER)), ..none },
            _ => none,
        }
    }
}

/// One outstation with the points of the profile `dnp3-single-float`.
pub(crate) struct Outstation {
    pub(crate) relay: Relay,
    pub(crate) address: u16,
    /// Whether the poller is to set its clock.
    pub(crate) is_synchronised: bool,
    station: Mutex<Station>,
    changed: Arc<Notify>,
    started: Instant,
}

impl Outstation {
    /// It lives, and its values change, for as long as the test does.
    pub(crate) async fn start(
        address: u16,
        reports: bool,
        is_synchronised: bool,
        rng: Pcg64Mcg,
    ) -> Arc<Self> {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let relay = Relay::start(listener.local_addr().unwrap().port()).await;
        let mut config = SessionConfig::new(Address::from_wire(address), Address::from_wire(MASTER));
        config.unsolicited = reports.then_some(UnsolicitedConfig {
            confirm_timeout: Duration::from_secs(1),
            pause: Duration::from_secs(2),
            hold: Duration::from_millis(200),
            ..UnsolicitedConfig::default()
        });
        let outstation = Arc::new(Self {
            relay,
            address,
            is_synchronised,
            station: Mutex::new(Station::new(vec![Session::new(config, database())])),
            changed: Arc::default(),
            started: Instant::now(),
        });
        tokio::spawn(answer(listener, outstation.clone()));
        tokio::spawn(change(outstation.clone(), rng));
        outstation
    }

    fn now(&self) -> Now {
        let wall = u64::try_from(Utc::now().timestamp_millis()).unwrap();
        Now { monotonic: self.started.elapsed(), wall: Timestamp::from_millis(wall) }
    }

    /// Does something to the session, and tells whoever answers for it.
    fn to_session<T>(&self, does: impl FnOnce(&mut Session) -> T) -> T {
        let done = {
            let mut station = self.station.lock().unwrap();
            does(station.session_mut(Address::from_wire(self.address)).unwrap())
        };
        self.changed.notify_waiters();
        done
    }

    fn says(&self, indication: Indications) -> bool {
        self.to_session(|session| session.indications().any(indication))
    }

    fn misbehave(&self, what: Misbehaviour) {
        let now = self.now();
        self.station.lock().unwrap().misbehave(Address::from_wire(self.address), what, now);
        self.changed.notify_waiters();
    }

    /// Something goes wrong, the poller meets it, it is over, and polling goes on.
    pub(crate) async fn suffer(&self, fault: Fault, rng: &mut Pcg64Mcg) {
        let (asked, said) = (self.relay.heard(true), self.relay.heard(false));
        let connections = self.relay.connections();
        self.misbehave(fault.misbehaviour());
        self.begin(fault, rng).await;
        until(&format!("{fault:?} of {} is met", self.address), PATIENCE, async || {
            let asked = self.relay.heard(true) - asked;
            let said = self.relay.heard(false) - said;
            let met = match fault {
                Fault::Restart => !self.says(Indications::DEVICE_RESTART),
                Fault::Overflow => !self.says(Indications::EVENT_OVERFLOW),
                Fault::NeedsTime if self.is_synchronised => !self.says(Indications::NEED_TIME),
                Fault::Break | Fault::Flood => self.relay.connections() > connections,
                // nobody asks a second time before the first was given up
                Fault::Silence => asked >= 3,
                _ => asked >= 2 && said >= 2,
            };
            met.then_some(())
        })
        .await;
        self.misbehave(Misbehaviour::default());
        self.to_session(|session| session.set_condition(Indications::NONE));
        let (asked, said) = (self.relay.heard(true), self.relay.heard(false));
        until(&format!("{} is polled after {fault:?}", self.address), PATIENCE, async || {
            (self.relay.heard(true) >= asked + 3 && self.relay.heard(false) >= said + 3).then_some(())
        })
        .await;
    }

    async fn begin(&self, fault: Fault, rng: &mut Pcg64Mcg) {
        match fault {
            Fault::Restart => {
                let how = if rng.random() { Restart::KeepEvents } else { Restart::LoseEvents };
                self.to_session(|session| session.restart(how));
                self.relay.cut();
            }
            Fault::Overflow => {
                let now = self.now();
                let overflows = self.to_session(|session| {
                    for i in 0..2 * u32::try_from(EVENTS).unwrap() {
                        let value = Value::Counter(i);
                        session.update(Kind::Counter, 0, value, Flags::ONLINE, now).unwrap();
                    }
                    session.indications().any(Indications::EVENT_OVERFLOW)
                });
                assert!(overflows);
            }
            Fault::NeedsTime => self.to_session(Session::need_time),
            Fault::Break => self.relay.cut(),
            Fault::UncalledFor => self.talk_out_of_turn(rng).await,
            Fault::Complaints => {
                let bits = Indications::from_bytes(rng.random());
                self.to_session(|session| session.set_condition(bits));
            }
            _ => {}
        }
    }

    /// Frames that nobody asked for: any function of the link layer, any request or response of the application layer, with objects as if the poller
    /// were the device.
    async fn talk_out_of_turn(&self, rng: &mut Pcg64Mcg) {
        let mut said = 0;
        while said < 40 {
            let controls = [0x40, 0x49, 0x72, 0x53, 0x47, 0x44, 0x44, 0x44, 0x00, 0x0B];
            let control: u8 = controls[rng.random_range(0..controls.len())];
            let function = [rng.random(), rng.random_range(0..32), 129, 130][rng.random_range(0..4)];
            let mut user_data = vec![0xC0, 0xC0 | rng.random_range(0..64), function];
            user_data.extend((0..rng.random_range(0..12)).map(|_| rng.random::<u8>()));
            if !matches!(control & 7, 3 | 4) {
                user_data.clear();
            }
            let mut frame = vec![];
            let (source, destination) = (Address::from_wire(self.address), Address::from_wire(MASTER));
            let header = Header { control: Control::from_byte(control), source, destination };
            link::encode(header, &user_data, &mut frame);
            said += u32::from(self.relay.say(frame));
            sleep(Duration::from_millis(10)).await;
        }
    }
}

/// The points that the profile names.
fn database() -> Database {
    let mut database = Database::new(EVENTS);
    let mut add = |kind, indexes: std::ops::Range<u16>, class| {
        for index in indexes {
            database.add(kind, index, PointConfig::of(kind).class(class)).unwrap();
        }
    };
    add(Kind::Analog, 0..1, Class::One);
    add(Kind::Analog, 1..7, Class::Three);
    add(Kind::Counter, 0..1, Class::One);
    add(Kind::Binary, 0..4, Class::One);
    add(Kind::AnalogOutput, 0..5, Class::Two);
    database
}

/// Answers whoever connects; a new connection takes the place of the one before.
async fn answer(listener: TcpListener, outstation: Arc<Outstation>) {
    let mut next = None;
    loop {
        let stream = match next.take() {
            Some(stream) => stream,
            None => listener.accept().await.unwrap().0,
        };
        stream.set_nodelay(true).unwrap();
        tokio::select! {
            // how it ended is the poller's affair, or the relay's
            _ended = dnp3::net::answer(stream, &outstation.station, || outstation.now(), &outstation.changed) => {}
            accepted = listener.accept() => next = Some(accepted.unwrap().0),
        }
    }
}

/// Lets values change.
async fn change(outstation: Arc<Outstation>, mut rng: Pcg64Mcg) {
    let mut ticks = interval(PACE);
    loop {
        ticks.tick().await;
        let (index, now) = (rng.random_range(1..7), outstation.now());
        let value = Value::Analog(rng.random_range(110.0..130.0));
        outstation
            .to_session(|session| session.update(Kind::Analog, index, value, Flags::ONLINE, now))
            .unwrap();
    }
}
