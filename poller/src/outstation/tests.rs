//! The whole way of a report, over real sockets: an outstation's event, the endpoint's task, the reading, the receipt and the
//! confirmation.

use std::sync::{Arc, Mutex};
use std::time::Duration;

use chrono::{TimeDelta, Utc};
use dnp3::link::Address;
use dnp3::master::{Classes, EventPoll};
use dnp3::net::answer;
use dnp3::objects::{Class, Flags, Kind, Time, Timestamp as Wire, Value, attribute::variation};
use dnp3::outstation::{
    Database, Misbehaviour, PointConfig, Session, SessionConfig, Station, UnsolicitedConfig,
};
use regulator::{Nameplate, Quality, Quantity, Reading, TimeSource, Timestamp};
use tokio::net::TcpListener;
use tokio::sync::{Notify, mpsc};
use tokio::task::JoinHandle;
use tokio::time::{Instant, timeout};
use tokio_util::sync::CancellationToken;

use crate::endpoint::{
    self, Clock, Context, DeviceNews, EndpointPlan, LinkSettings, Outcome, Receipt, RegulatorPlan, Report,
    UnitPlan,
};
use crate::modbus::{ErrorKind, Timeouts};
use crate::profile::Profile;

pub(super) const PROFILE: &str = r#"
title = "for tests"
protocol = "dnp3"
point = [
    { quantity = "load_voltage", object = "analog", index = 0, class = 3, unit = "V", valid = [80, 160] },
    { quantity = "tap", object = "analog", index = 1, class = 1 },
    { quantity = "operations", object = "counter", index = 0, class = 1 },
    { quantity = "automatic", object = "binary", index = 0, class = 2 },
    { quantity = "set_voltage", object = "analog_output", index = 0, unit = "V" },
]
"#;

/// A reading, a receipt or anything else must come within this; a bound on hanging, no promise.
pub(super) const PATIENCE: Duration = Duration::from_secs(120);

struct Site {
    station: Arc<Mutex<Station>>,
    changed: Arc<Notify>,
    started: Instant,
    reports: mpsc::Receiver<Report>,
    stop: CancellationToken,
    tasks: Vec<JoinHandle<()>>,
}

pub(super) fn session(address: u16, edit: impl FnOnce(&mut SessionConfig)) -> Session {
    let mut database = Database::new(100);
    for (kind, index, class) in [
        (Kind::Analog, 0, Some(Class::Three)),
        (Kind::Analog, 1, Some(Class::One)),
        (Kind::Counter, 0, Some(Class::One)),
        (Kind::Binary, 0, Some(Class::Two)),
        (Kind::AnalogOutput, 0, None),
    ] {
        let mut config = PointConfig::of(kind);
        if kind == Kind::Analog {
            config = config.variations(5, 7);
        }
        if kind == Kind::AnalogOutput {
            config = config.variations(3, 7);
        }
        if kind == Kind::Counter {
            config = config.variations(1, 5);
        }
        if kind == Kind::Binary {
            config = config.variations(2, 2);
        }
        if let Some(class) = class {
            config = config.class(class);
        }
        database.add(kind, index, config).unwrap();
    }
    database.set_attribute(variation::MANUFACTURER, "Nobody");
    let mut config = SessionConfig::new(Address::from_wire(address), Address::from_wire(1));
    edit(&mut config);
    Session::new(config, database)
}

/// What to poll at an endpoint: one regulator a unit, numbered like it.
pub(super) fn plan(endpoint_id: i32, address: String, units: &[u16], link: &LinkSettings) -> EndpointPlan {
    let profile = Ok(Arc::new(Profile::parse("tests.toml", PROFILE).unwrap()));
    let unit = |unit: &u16| UnitPlan {
        unit: *unit,
        profile: profile.clone(),
        regulators: vec![RegulatorPlan {
            position: 1,
            regulator_id: i32::from(*unit),
            nameplate: Nameplate::common(),
        }],
        interval: Duration::from_millis(300),
        link: link.clone(),
    };
    EndpointPlan { endpoint_id, address, units: units.iter().map(unit).collect() }
}

impl Site {
    async fn new(sessions: Vec<Session>, units: &[u16], link: LinkSettings) -> Self {
        let station = Arc::new(Mutex::new(Station::new(sessions)));
        let (changed, started) = (Arc::new(Notify::new()), Instant::now());
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = format!("dnp3-tcp://{}", listener.local_addr().unwrap());
        let stop = CancellationToken::new();
        let serving = {
            let (station, changed, stop) = (station.clone(), changed.clone(), stop.clone());
            tokio::spawn(async move {
                let serve = async {
                    loop {
                        let (stream, _) = listener.accept().await.unwrap();
                        stream.set_nodelay(true).unwrap();
                        drop(answer(stream, &station, || now(started), &changed).await);
                    }
                };
                stop.run_until_cancelled(serve).await;
            })
        };
        let (sender, reports) = endpoint::channel(10_000);
        let plan = plan(7, address, units, &link);
        let context = Context {
            timeouts: Timeouts::default(),
            reports: sender,
            clock: Arc::new(Clock::system()),
            stop: stop.clone(),
            tls: None,
        };
        let polling = tokio::spawn(endpoint::run(plan, context));
        Self { station, changed, started, reports, stop, tasks: vec![serving, polling] }
    }

    /// One outstation at address 10 that is polled.
    async fn one(edit: impl FnOnce(&mut SessionConfig), link: LinkSettings) -> Self {
        let mut site = Self::new(vec![session(10, edit)], &[10], link).await;
        site.set(Kind::Analog, 0, Value::Analog(121.5));
        site.set(Kind::Analog, 1, Value::Analog(3.0));
        site.set(Kind::Counter, 0, Value::Counter(100));
        site.set(Kind::Binary, 0, Value::Binary(true));
        site.set(Kind::AnalogOutput, 0, Value::Analog(120.0));
        // what was set before the first poll is reported as events too: these are taken as they come
        site.settle().await;
        site
    }

    fn set(&mut self, kind: Kind, index: u16, value: Value<'_>) {
        let now = now(self.started);
        let mut station = self.station.lock().unwrap();
        let session = station.session_mut(Address::from_wire(10)).unwrap();
        session.update(kind, index, value, Flags::ONLINE, now).unwrap();
        drop(station);
        self.changed.notify_waiters();
    }

    /// Takes in everything until nothing waits at the outstation and a poll has been made since.
    async fn settle(&mut self) {
        let mut polls = 0;
        while polls < 2 {
            match self.next().await {
                Report::Receipt(receipt) => {
                    receipt.stored();
                    polls = 0;
                }
                Report::Outcome(outcome) if outcome.result.is_ok() && self.waiting() == 0 => polls += 1,
                _ => {}
            }
        }
    }

    fn waiting(&self) -> usize {
        let mut station = self.station.lock().unwrap();
        station.session_mut(Address::from_wire(10)).unwrap().database().waiting_events()
    }

    async fn next(&mut self) -> Report {
        timeout(PATIENCE, self.reports.recv()).await.expect("a report").expect("the task runs")
    }

    async fn reading(&mut self, wanted: impl Fn(&Reading) -> bool) -> Reading {
        loop {
            if let Report::Reading { reading, .. } = self.next().await
                && wanted(&reading)
            {
                return reading;
            }
        }
    }

    async fn receipt(&mut self) -> Receipt {
        loop {
            if let Report::Receipt(receipt) = self.next().await {
                return receipt;
            }
        }
    }

    async fn outcome(&mut self, wanted: impl Fn(&Outcome) -> bool) -> Outcome {
        loop {
            match self.next().await {
                Report::Outcome(outcome) if wanted(&outcome) => return outcome,
                Report::Receipt(receipt) => receipt.stored(),
                _ => {}
            }
        }
    }

    async fn end(self) {
        self.stop.cancel();
        for task in self.tasks {
            timeout(PATIENCE, task).await.expect("ends when told").unwrap();
        }
    }
}

pub(super) fn now(started: Instant) -> dnp3::Now {
    let wall = Wire::from_millis(u64::try_from(Utc::now().timestamp_millis()).unwrap());
    dnp3::Now { monotonic: started.elapsed(), wall }
}

#[tokio::test]
async fn every_poll_says_how_things_are_and_how_old_that_is() {
    let mut site = Site::one(|_| {}, LinkSettings::default()).await;
    let reading = site.reading(|r| r.time_source == TimeSource::Poller).await;
    assert_eq!(reading.good(Quantity::LoadVoltage), Some(121.5));
    assert_eq!(reading.good(Quantity::Tap), Some(3.0));
    assert_eq!(reading.good(Quantity::Operations), Some(100.0));
    assert_eq!(reading.flag(Quantity::Automatic), Some(true));
    assert_eq!(reading.good(Quantity::SetVoltage), Some(120.0));
    assert_eq!(reading.quality(Quantity::Current), Quality::NotReported);
    assert!((Utc::now() - reading.measured_at) < TimeDelta::seconds(60));
    site.end().await;
}

#[tokio::test]
async fn an_event_is_read_at_its_own_time_and_confirmed_when_it_is_stored() {
    let mut site = Site::one(|_| {}, LinkSettings::default()).await;
    let before = Utc::now() - TimeDelta::milliseconds(1);
    site.set(Kind::Analog, 1, Value::Analog(4.0));
    let after = Utc::now();
    let reading = site.reading(|r| r.good(Quantity::Tap) == Some(4.0)).await;
    assert_eq!(reading.time_source, TimeSource::Device);
    assert!(before <= reading.measured_at && reading.measured_at <= after);
    assert_eq!(reading.good(Quantity::LoadVoltage), Some(121.5), "carried");
    let receipt = site.receipt().await;
    assert_eq!(site.waiting(), 1, "not confirmed before it is stored");
    receipt.stored();
    while site.waiting() > 0 {
        site.next().await;
    }
    site.end().await;
}

#[tokio::test]
async fn what_was_not_stored_is_told_again_in_the_same_words() {
    let mut site = Site::one(|_| {}, LinkSettings::default()).await;
    site.set(Kind::Counter, 0, Value::Counter(101));
    let counted =
        |r: &Reading| r.good(Quantity::Operations) == Some(101.0) && r.time_source == TimeSource::Device;
    let first = site.reading(counted).await;
    drop(site.receipt().await);
    let second = site.reading(counted).await;
    assert_eq!(first.measured_at, second.measured_at);
    assert_eq!(site.waiting(), 1);
    site.receipt().await.stored();
    while site.waiting() > 0 {
        site.next().await;
    }
    site.end().await;
}

#[tokio::test]
async fn a_device_with_a_wrong_clock_is_read_at_the_time_of_arrival() {
    let mut site = Site::one(|c| c.need_time = true, LinkSettings::default()).await;
    for tap in [4.0, 5.0, 6.0] {
        site.set(Kind::Analog, 1, Value::Analog(tap));
    }
    let mut times: Vec<Timestamp> = vec![];
    for tap in [4.0, 5.0, 6.0] {
        let reading = site
            .reading(|r| r.good(Quantity::Tap) == Some(tap) && r.time_source == TimeSource::Arrival)
            .await;
        times.push(reading.measured_at);
    }
    assert!(times.is_sorted_by(|a, b| a < b), "{times:?}");
    site.end().await;
}

#[tokio::test]
async fn an_event_of_yesterday_takes_its_place_in_the_past() {
    let mut site = Site::one(|_| {}, LinkSettings::default()).await;
    let then = Utc::now() - TimeDelta::days(1);
    let then = Timestamp::from_timestamp_millis(then.timestamp_millis()).unwrap();
    {
        let mut station = site.station.lock().unwrap();
        let session = station.session_mut(Address::from_wire(10)).unwrap();
        let at = Wire::from_millis(u64::try_from(then.timestamp_millis()).unwrap());
        let time = Time { at, synchronised: None };
        session.database_mut().update(Kind::Analog, 1, Value::Analog(-2.0), Flags::ONLINE, time).unwrap();
    }
    let reading = site.reading(|r| r.measured_at == then).await;
    assert_eq!(reading.good(Quantity::Tap), Some(-2.0));
    assert_eq!(reading.quality(Quantity::LoadVoltage), Quality::NotReported, "not known for then");
    site.end().await;
}

#[tokio::test]
async fn unsolicited_events_come_without_being_asked_for() {
    let link = LinkSettings {
        unsolicited: Classes::EVENTS,
        event_polls: vec![EventPoll { classes: Classes::EVENTS, period: Duration::from_secs(3600) }],
        ..LinkSettings::default()
    };
    let mut station = session(10, |c| {
        c.unsolicited = Some(UnsolicitedConfig { hold: Duration::ZERO, ..UnsolicitedConfig::default() });
    });
    let now = now(Instant::now());
    station.update(Kind::Analog, 1, Value::Analog(3.0), Flags::ONLINE, now).unwrap();
    let mut site = Site::new(vec![station], &[10], link).await;
    site.outcome(|o| o.result.is_ok()).await;
    site.set(Kind::Analog, 1, Value::Analog(4.0));
    let reading = loop {
        match site.next().await {
            Report::Reading { reading, .. } if reading.good(Quantity::Tap) == Some(4.0) => break reading,
            Report::Receipt(receipt) => receipt.stored(),
            _ => {}
        }
    };
    assert_eq!(reading.time_source, TimeSource::Device);
    site.receipt().await.stored();
    site.end().await;
}

#[tokio::test]
async fn devices_tell_who_they_are_and_when_they_restarted() {
    let mut site = Site::new(vec![session(10, |_| {})], &[10], LinkSettings::default()).await;
    let (mut restarted, mut identity, mut offset) = (false, None, None);
    while !restarted || identity.is_none() || offset.is_none() {
        match site.next().await {
            Report::Event(event) => match event.what {
                DeviceNews::Restarted => restarted = true,
                DeviceNews::Identity(found) => identity = Some(found),
                DeviceNews::ClockOffset { millis } => offset = Some(millis),
                DeviceNews::Overflowed => panic!("nothing was lost"),
            },
            Report::Receipt(receipt) => receipt.stored(),
            _ => {}
        }
    }
    assert_eq!(identity.unwrap().manufacturer.as_deref(), Some("Nobody"));
    site.end().await;
}

#[tokio::test]
async fn a_silent_outstation_is_told_by_name_while_its_neighbour_is_polled() {
    let mut site = Site::new(vec![session(10, |_| {})], &[10, 11], LinkSettings::default()).await;
    let failed = site.outcome(|o| o.unit == Some(11)).await.result.unwrap_err();
    assert_eq!(failed.kind, ErrorKind::Timeout);
    assert!(failed.text.contains("no answer from outstation 11"), "{}", failed.text);
    for _ in 0..3 {
        site.outcome(|o| o.unit == Some(10) && o.result.is_ok()).await;
    }
    site.end().await;
}

#[tokio::test]
async fn hostile_peers_end_in_an_error_that_says_what_they_do() {
    for (misbehaviour, words) in [
        (
            Misbehaviour { wrong_source: Some(Address::from_wire(77)), ..Misbehaviour::default() },
            "address 77 instead",
        ),
        (
            Misbehaviour { drip: Some(Duration::from_millis(400)), ..Misbehaviour::default() },
            "no answer from outstation 10",
        ),
        (
            Misbehaviour { flood: Some(Duration::from_micros(50)), ..Misbehaviour::default() },
            "does not stop sending",
        ),
    ] {
        let mut site = Site::new(vec![session(10, |_| {})], &[10], LinkSettings::default()).await;
        let now = now(site.started);
        site.station.lock().unwrap().misbehave(Address::from_wire(10), misbehaviour, now);
        site.changed.notify_waiters();
        let said = |o: &Outcome| o.result.as_ref().is_err_and(|failure| failure.text.contains(words));
        site.outcome(said).await;
        site.end().await;
    }
}
