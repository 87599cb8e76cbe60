//! Endpoints' tasks against devices on real sockets: what is reported, when devices behave and when they do not.

use std::collections::HashMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;

use chrono::{TimeDelta, Utc};
use poller::endpoint::{
    Clock, Context, EndpointPlan, LinkSettings, Outcome, RegulatorPlan, Report, ReportSender, UnitPlan,
    channel, run,
};
use poller::modbus::{ErrorKind, Framing, Timeouts};
use poller::profile::Profile;
use regulator::{Nameplate, Quality, Quantity, Reading};
use tokio::net::TcpListener;
use tokio::sync::mpsc::Receiver;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

use crate::peer::{Act, Peer, Request};

/// One block of holding registers and one of input registers.
const PROFILE: &str = r#"
title = "for tests"
point = [
    { quantity = "load_voltage", table = "holding", address = 100, type = "u16", scale = 0.1, unit = "V" },
    { quantity = "tap", table = "holding", address = 101, type = "i16", offset = -100 },
    { quantity = "operations", table = "input", address = 7, type = "u16" },
]
"#;
const INTERVAL: Duration = Duration::from_millis(100);

fn unit(unit: u8) -> UnitPlan {
    let regulator =
        RegulatorPlan { position: 1, regulator_id: 1000 + i32::from(unit), nameplate: Nameplate::common() };
    UnitPlan {
        unit: unit.into(),
        profile: Profile::parse("test.toml", PROFILE).map(Arc::new),
        regulators: vec![regulator],
        interval: INTERVAL,
        link: LinkSettings::default(),
    }
}

/// A running endpoint and what it reports.
struct Running {
    reports: Receiver<Report>,
    sender: ReportSender,
    stop: CancellationToken,
    task: JoinHandle<()>,
}

impl Running {
    fn start(address: &impl ToString, units: Vec<UnitPlan>) -> Self {
        Self::start_with(address, units, Clock::system())
    }

    fn start_with(address: &impl ToString, units: Vec<UnitPlan>, clock: Clock) -> Self {
        let (sender, reports) = channel(10_000);
        let stop = CancellationToken::new();
        let timeouts = Timeouts {
            connect: Duration::from_secs(5),
            response: Duration::from_millis(300),
            quiet: Duration::from_millis(50),
        };
        let context = Context {
            timeouts,
            reports: sender.clone(),
            clock: Arc::new(clock),
            stop: stop.clone(),
            tls: None,
        };
        let plan = EndpointPlan { endpoint_id: 7, address: address.to_string(), units };
        Self { reports, sender, stop, task: tokio::spawn(run(plan, context)) }
    }

    async fn next(&mut self) -> Report {
        let next = tokio::time::timeout(Duration::from_secs(120), self.reports.recv()).await;
        next.expect("a report within 20 s").expect("the task is running")
    }

    async fn outcome(&mut self) -> Outcome {
        loop {
            if let Report::Outcome(outcome) = self.next().await {
                return outcome;
            }
        }
    }

    async fn reading(&mut self) -> (i32, Reading) {
        loop {
            if let Report::Reading { regulator_id, reading } = self.next().await {
                return (regulator_id, reading);
            }
        }
    }

    async fn end(self) {
        self.stop.cancel();
        tokio::time::timeout(Duration::from_secs(120), self.task).await.expect("stops when told").unwrap();
        assert_eq!(self.sender.given_up(), 0);
    }
}

fn kind(outcome: &Outcome) -> Option<ErrorKind> {
    outcome.result.as_ref().err().map(|f| f.kind)
}

async fn healthy() -> Peer {
    Peer::start(Framing::Tcp, |r| vec![Act::Send(r.answer(0))]).await
}

#[tokio::test]
async fn units_behind_one_gateway_are_read_in_turn_over_one_connection() {
    for framing in [Framing::Tcp, Framing::RtuOverTcp] {
        let peer = Peer::start(framing, |r| vec![Act::Send(r.answer(u16::from(r.unit)))]).await;
        let mut running = Running::start(&peer.address, vec![unit(1), unit(2), unit(3)]);
        let mut seen = HashMap::new();
        while seen.len() < 3 {
            let (id, reading) = running.reading().await;
            seen.insert(id, reading);
        }
        for unit in 1..=3u8 {
            let reading = &seen[&(1000 + i32::from(unit))];
            let add = f64::from(unit);
            // each register holds its address plus the unit
            let volts = (100.0 + add) * 0.1;
            #[allow(clippy::cast_possible_truncation)]
            let single = f64::from(volts as f32);
            assert_eq!(reading.good(Quantity::LoadVoltage), Some(single));
            assert_eq!(reading.good(Quantity::Tap), Some(1.0 + add));
            assert_eq!(reading.good(Quantity::Operations), Some(7.0 + add));
            assert!((Utc::now() - reading.measured_at).abs() < TimeDelta::seconds(30));
            assert_eq!(reading.measured_at.timestamp_subsec_nanos() % 1_000_000, 0, "to the millisecond");
        }
        let outcome = running.outcome().await;
        assert!(outcome.result.is_ok() && outcome.endpoint_id == 7 && outcome.unit.is_some());
        running.end().await;
        assert!(peer.requests().iter().all(|r| r.connection == 0));
    }
}

#[tokio::test]
async fn a_dead_unit_does_not_starve_its_neighbour() {
    let silent_unit = |r: &Request| if r.unit == 9 { vec![] } else { vec![Act::Send(r.answer(0))] };
    let peer = Peer::start(Framing::Tcp, silent_unit).await;
    let mut running = Running::start(&peer.address, vec![unit(9), unit(1), unit(8)]);
    let (mut alive, mut dead) = (0, 0);
    while alive < 60 {
        let outcome = running.outcome().await;
        match outcome.unit {
            Some(9) => {
                assert_eq!(kind(&outcome), Some(ErrorKind::Timeout));
                dead += 1;
            }
            Some(1 | 8) => {
                assert!(outcome.result.is_ok(), "{outcome:?}");
                alive += 1;
            }
            other => panic!("{other:?}"),
        }
    }
    assert!(dead >= 1);
    // at most a quarter of the time is spent on it: 0.9 s without it for each 0.3 s, in which its neighbours are due 18 times
    assert!(dead <= 8, "{dead} polls of the dead unit for {alive} of its neighbours");
    running.end().await;
}

#[tokio::test]
async fn several_dead_units_together_leave_time_for_the_living_and_each_is_still_tried() {
    let silent = |r: &Request| if r.unit >= 9 { vec![] } else { vec![Act::Send(r.answer(0))] };
    let peer = Peer::start(Framing::Tcp, silent).await;
    let units = vec![unit(1), unit(9), unit(10), unit(11)];
    let mut running = Running::start(&peer.address, units);
    let mut tried: HashMap<u16, u32> = HashMap::new();
    while [9, 10, 11].iter().any(|u| tried.get(u).copied().unwrap_or(0) < 3) {
        *tried.entry(running.outcome().await.unit.unwrap()).or_default() += 1;
    }
    let dead: u32 = tried.iter().filter(|(u, _)| **u >= 9).map(|(_, n)| n).sum();
    assert!(tried[&1] > dead, "{tried:?}");
    running.end().await;
}

#[tokio::test]
async fn an_endpoint_that_is_away_is_reported_as_such_and_found_again() {
    let held = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = held.local_addr().unwrap();
    drop(held);
    let mut running = Running::start(&format!("modbus-tcp://{address}"), vec![unit(1), unit(2)]);
    let outcome = running.outcome().await;
    assert_eq!((outcome.unit, kind(&outcome)), (None, Some(ErrorKind::Connect)));
    let peer = Peer::start_at(address, Framing::Tcp, |r| vec![Act::Send(r.answer(0))]).await;
    loop {
        let outcome = running.outcome().await;
        if outcome.result.is_ok() {
            assert!(outcome.unit.is_some());
            break;
        }
        assert_eq!(kind(&outcome), Some(ErrorKind::Connect));
    }
    running.end().await;
    drop(peer);
}

#[tokio::test]
async fn a_refused_block_is_unreadable_and_the_other_is_read() {
    let refuse_inputs =
        |r: &Request| vec![Act::Send(if r.function == 4 { r.refuse(2) } else { r.answer(0) })];
    let peer = Peer::start(Framing::Tcp, refuse_inputs).await;
    let mut running = Running::start(&peer.address, vec![unit(1)]);
    let (_, reading) = running.reading().await;
    assert_eq!(reading.good(Quantity::LoadVoltage), Some(10.0));
    assert_eq!(reading.quality(Quantity::Operations), Quality::Unreadable);
    assert_eq!(reading.value(Quantity::Operations), None);
    let outcome = running.outcome().await;
    assert_eq!((outcome.unit, kind(&outcome)), (Some(1), Some(ErrorKind::Exception)));
    let text = outcome.result.unwrap_err().text;
    assert_eq!(text, "input 7-7 refused: exception 2 (illegal data address)");
    running.end().await;
}

#[tokio::test]
async fn a_gateway_that_says_its_unit_is_silent_gives_no_reading_and_keeps_its_connection() {
    let gateway = |r: &Request| vec![Act::Send(if r.unit == 9 { r.refuse(11) } else { r.answer(0) })];
    let peer = Peer::start(Framing::Tcp, gateway).await;
    let mut running = Running::start(&peer.address, vec![unit(9), unit(1)]);
    let (mut refused, mut answered) = (0, 0);
    while refused < 3 || answered < 3 {
        match running.next().await {
            Report::Reading { regulator_id, .. } => assert_eq!(regulator_id, 1001),
            Report::Outcome(o) if o.unit == Some(9) => {
                assert_eq!(kind(&o), Some(ErrorKind::Exception));
                assert!(o.result.unwrap_err().text.contains("gateway target device failed to respond"));
                refused += 1;
            }
            Report::Outcome(o) => {
                assert!(o.result.is_ok());
                answered += 1;
            }
            Report::Receipt(_) | Report::Event(_) => panic!("Modbus has neither"),
        }
    }
    running.end().await;
    assert!(peer.requests().iter().all(|r| r.connection == 0));
    // one request is enough to know
    assert!(peer.requests().iter().all(|r| r.unit != 9 || r.function == 3));
}

#[tokio::test]
async fn what_was_read_before_the_device_fell_silent_is_kept() {
    let silent_inputs = |r: &Request| if r.function == 4 { vec![] } else { vec![Act::Send(r.answer(0))] };
    let peer = Peer::start(Framing::Tcp, silent_inputs).await;
    let mut running = Running::start(&peer.address, vec![unit(1)]);
    let (_, reading) = running.reading().await;
    assert_eq!(reading.good(Quantity::Tap), Some(1.0));
    assert_eq!(reading.quality(Quantity::Operations), Quality::Unreadable);
    assert_eq!(kind(&running.outcome().await), Some(ErrorKind::Timeout));
    running.end().await;
}

#[tokio::test]
async fn garbage_short_answers_and_hang_ups_fail_their_poll_and_polling_goes_on() {
    let peer = Peer::start(Framing::Tcp, |r| match r.number {
        0 => vec![Act::Send(vec![0xAB; 5000])],
        1 => vec![Act::Send(r.frame(&r.answer_pdu(0, 1)))],
        2 => vec![Act::Close],
        3 => vec![Act::Send(vec![r.transaction[0], r.transaction[1], 0, 0, 0xFF, 0xFF, 1, 3])],
        _ => vec![Act::Send(r.answer(0))],
    })
    .await;
    let mut running = Running::start(&peer.address, vec![unit(1)]);
    let mut kinds = vec![];
    loop {
        let outcome = running.outcome().await;
        match kind(&outcome) {
            Some(kind) => kinds.push(kind),
            None => break,
        }
    }
    use ErrorKind::{Closed, Malformed};
    assert_eq!(kinds, [Malformed, Malformed, Closed, Malformed]);
    assert_eq!(running.reading().await.1.good(Quantity::LoadVoltage), Some(10.0));
    running.end().await;
}

#[tokio::test]
async fn wrong_configuration_is_told_and_the_rest_is_polled() {
    let peer = healthy().await;
    let mut bad_profile = unit(2);
    bad_profile.profile = Profile::parse("bad.toml", "title = 1").map(Arc::new);
    let mut bad_position = unit(3);
    bad_position.regulators[0].position = 2;
    let mut bad_unit = unit(4);
    bad_unit.unit = 256;
    let mut bad_protocol = unit(5);
    bad_protocol.profile = Ok(Arc::new(Profile::shipped()[0].profile().unwrap()));
    let units = vec![bad_profile, bad_position, bad_unit, bad_protocol, unit(1)];
    let mut running = Running::start(&peer.address, units);
    let outcome = running.outcome().await;
    assert_eq!((outcome.unit, kind(&outcome)), (Some(2), Some(ErrorKind::Configuration)));
    assert!(outcome.result.unwrap_err().text.contains("bad.toml:1: title is integer, not a string"));
    let outcome = running.outcome().await;
    assert_eq!((outcome.unit, kind(&outcome)), (Some(3), Some(ErrorKind::Configuration)));
    assert!(outcome.result.unwrap_err().text.contains("no points for position 2"));
    let outcome = running.outcome().await;
    assert_eq!((outcome.unit, kind(&outcome)), (Some(256), Some(ErrorKind::Configuration)));
    assert!(outcome.result.unwrap_err().text.contains("write one from 0 to 255"));
    let outcome = running.outcome().await;
    assert_eq!((outcome.unit, kind(&outcome)), (Some(5), Some(ErrorKind::Configuration)));
    assert!(outcome.result.unwrap_err().text.contains("is for DNP3, but its endpoint speaks Modbus"));
    assert_eq!(running.reading().await.0, 1001);
    running.end().await;

    let mut running = Running::start(&"modbus://somewhere", vec![unit(1)]);
    let outcome = running.outcome().await;
    assert_eq!((outcome.unit, kind(&outcome)), (None, Some(ErrorKind::Configuration)));
    running.end().await;
}

#[tokio::test]
async fn readings_never_go_back_in_time_when_the_clock_does() {
    let peer = healthy().await;
    let offset = Arc::new(AtomicI64::new(0));
    let shown = offset.clone();
    let clock = Clock::following(move || Utc::now() + TimeDelta::seconds(shown.load(Ordering::SeqCst)));
    let mut running = Running::start_with(&peer.address, vec![unit(1)], clock);
    let mut before = running.reading().await.1.measured_at;
    for jump in [-3600, 0, 86_400, -86_400, 1, -1] {
        offset.store(jump, Ordering::SeqCst);
        for _ in 0..3 {
            let at = running.reading().await.1.measured_at;
            assert!(at > before, "{at} after {before}, with the clock off by {jump} s");
            assert!((at - Utc::now()).abs() < TimeDelta::seconds(60), "{at} is not now");
            before = at;
        }
    }
    running.end().await;
}

#[tokio::test]
async fn a_dead_endpoint_does_not_hold_up_another() {
    let dead = Peer::start(Framing::Tcp, |_| vec![]).await;
    let alive = healthy().await;
    let hung = Running::start(&dead.address, vec![unit(1)]);
    let mut running = Running::start(&alive.address, vec![unit(1)]);
    let mut missed = 0;
    for _ in 0..20 {
        let outcome = running.outcome().await;
        assert!(outcome.result.is_ok());
        missed += outcome.missed;
    }
    // a busy machine may miss a few of twenty; a held-up task would miss three for each
    assert!(missed < 20, "{missed} missed");
    running.end().await;
    hung.end().await;
}
