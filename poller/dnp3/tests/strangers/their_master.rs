//! A master that is not ours reads our outstation.

use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use dnp3::Now;
use dnp3::net::answer;
use dnp3::objects::{Class, Flags, Kind, Timestamp, Value};
use dnp3::outstation::{Database, PointConfig, Session, SessionConfig, Station, UnsolicitedConfig};
use serde_json::Value as Json;
use tokio::net::TcpListener;
use tokio::sync::Notify;

use crate::peer::{PATIENCE, Peer};
use crate::told::{Told, assert_same};
use crate::variations::{Form, MASTER, OUTSTATION, every_form, session};

/// 2014-12-28T21:32:21Z: when it is, as far as our outstation knows.
const THEN: u64 = 1_419_802_341_000;
/// Indications as their bits.
const RESTART: u64 = 0x80;
const NEED_TIME: u64 = 0x10;
const EVENTS: u64 = 0x0E;

/// Our station, served over a socket, and the stranger that reads it.
struct Scene {
    station: Arc<Mutex<Station>>,
    changed: Arc<Notify>,
    began: Instant,
    peer: Peer,
}

fn now(began: Instant) -> Now {
    let monotonic = began.elapsed();
    let wall = Timestamp::from_millis(THEN).plus(u64::try_from(monotonic.as_millis()).unwrap());
    Now { monotonic, wall }
}

impl Scene {
    async fn of(session: Session) -> Self {
        let station = Arc::new(Mutex::new(Station::new(vec![session])));
        let (changed, began) = (Arc::new(Notify::new()), Instant::now());
        let listener = TcpListener::bind(("127.0.0.1", 0)).await.unwrap();
        let port = listener.local_addr().unwrap().port();
        let (served, told) = (Arc::clone(&station), Arc::clone(&changed));
        tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                stream.set_nodelay(true).unwrap();
                // how a connection ends is the master's business
                drop(answer(stream, &served, || now(began), &told).await);
            }
        });
        let mut peer = Peer::start("dnp3_master.py", &port.to_string());
        peer.obey("connect");
        Self { station, changed, began, peer }
    }

    /// Does something with the session as it is now.
    fn with<T>(&self, act: impl FnOnce(&mut Session, Now) -> T) -> T {
        let now = now(self.began);
        let done = act(self.station.lock().unwrap().session_mut(OUTSTATION).unwrap(), now);
        self.changed.notify_one();
        done
    }

    fn waiting(&self) -> usize {
        self.with(|session, _| session.database().waiting_events())
    }

    /// The peer may be done before its last confirmation has arrived.
    async fn lets_all_go(&self) {
        let gone = async {
            while self.waiting() > 0 {
                tokio::time::sleep(Duration::from_millis(5)).await;
            }
        };
        tokio::time::timeout(PATIENCE, gone).await.expect("what was confirmed is let go");
    }

    /// What came of an order: values, and fragments.
    fn obey(&mut self, order: &str) -> (Vec<Told>, Vec<Json>) {
        told(self.peer.obey(order))
    }
}

fn told(mut told: Vec<Json>) -> (Vec<Told>, Vec<Json>) {
    let fragments = told.pop().unwrap()["fragments"].as_array().unwrap().clone();
    for fragment in &fragments {
        assert!(fragment["cut"].is_null(), "{fragment}");
        assert_eq!(fragment["untimed"], 0);
    }
    (told.iter().map(|told| Told::theirs(&told["value"])).collect(), fragments)
}

/// As the stranger tells it: it takes a value without flags as on line (clause 11.6), and tells nothing of frozen analogs and octet strings, which it
/// steps over.
fn as_told(all: impl IntoIterator<Item = Told>) -> Vec<Told> {
    let told = all.into_iter().filter(|told| !matches!(told.kind, Kind::FrozenAnalog | Kind::Octets));
    told.map(|told| Told { flags: told.flags.or(Some(1)), ..told }).collect()
}

/// Changes every point so many times, and returns the events in the order in which a poll of all classes brings them.
fn change(scene: &Scene, forms: &[Form], times: std::ops::Range<u32>) -> Vec<Told> {
    let mut events: Vec<(Class, Told)> = vec![];
    for n in times {
        for form in forms {
            // an octet string goes out as a value without anything else
            let told = scene.with(|session, now| form.change(session, n, now));
            events.push((form.class, told));
        }
    }
    events.sort_by_key(|(class, _)| class.variation());
    events.into_iter().map(|(_, told)| told).collect()
}

fn present(scene: &Scene, forms: &[Form]) -> Vec<Told> {
    scene.with(|session, _| forms.iter().map(|form| form.present(session)).collect())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_strange_master_reads_every_form_right() {
    let forms = every_form(12);
    let mut scene = Scene::of(session(SessionConfig::new(OUTSTATION, MASTER), &forms)).await;
    let mut compared = 0;
    for n in 0..4 {
        let mut expected = change(&scene, &forms, n * 2..n * 2 + 2);
        let waiting = scene.waiting();
        assert_eq!(waiting, expected.len());
        let (values, fragments) = if n % 2 == 0 {
            expected.extend(present(&scene, &forms));
            scene.obey("integrity")
        } else {
            scene.obey("events")
        };
        let expected = as_told(expected);
        assert_same(&values, &expected);
        compared += values.len();
        assert!(fragments.len() > 3, "that is more than fits a fragment");
        assert!(fragments.iter().all(|f| f["confirm"] == true || f["last"] == true));
        scene.lets_all_go().await;
    }
    println!("{compared} values compared");
    assert!(compared > 3_000);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_strange_master_reads_ranges_right() {
    let forms = every_form(3);
    let mut scene = Scene::of(session(SessionConfig::new(OUTSTATION, MASTER), &forms)).await;
    change(&scene, &forms, 0..1);
    scene.obey("events");
    for form in forms.iter().filter(|form| !matches!(form.kind, Kind::FrozenAnalog | Kind::Octets)) {
        let Form { kind, index, present: variation, .. } = form;
        let (values, fragments) =
            scene.obey(&format!("range {} {variation} {index} {index}", kind.static_group()));
        let present = present(&scene, &[*form]);
        // flags that say more than "on line" find no room in packed states: they go out with flags, as the standard wants (clause 11.6)
        let number_is_right =
            |told: &Told| (told.kind, told.index, told.number) == (*kind, *index, present[0].number);
        assert!(values.len() == 1 && values.iter().all(number_is_right), "{values:?} {present:?}");
        assert_same(&values, &as_told(present));
        assert_eq!(fragments.len(), 1);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn events_are_let_go_only_when_a_strange_master_has_confirmed_them() {
    let forms = every_form(3);
    let mut scene = Scene::of(session(SessionConfig::new(OUTSTATION, MASTER), &forms)).await;
    let expected = change(&scene, &forms, 0..1);
    for _ in 0..3 {
        let (values, fragments) = scene.obey("unconfirmed");
        assert_eq!((fragments.len(), &fragments[0]["confirm"]), (1, &Json::Bool(true)));
        let expected = as_told(expected.clone());
        // each time the same
        assert_same(&values, &expected[..values.len()]);
        assert_eq!(scene.waiting(), forms.len());
        scene.obey("connect");
    }
    assert_same(&scene.obey("events").0, &as_told(expected));
    scene.lets_all_go().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_strange_master_is_told_without_asking_when_it_wants_to_be() {
    let config = SessionConfig {
        unsolicited: Some(UnsolicitedConfig { hold: Duration::ZERO, ..UnsolicitedConfig::default() }),
        ..SessionConfig::new(OUTSTATION, MASTER)
    };
    let forms = every_form(3);
    let mut scene = Scene::of(session(config, &forms)).await;
    // the first says that the outstation has started, and holds nothing
    let (values, fragments) = scene.obey("listen");
    assert_eq!((values, &fragments[0]["unsolicited"]), (vec![], &Json::Bool(true)));
    assert_eq!(fragments[0]["indications"].as_u64().unwrap() & RESTART, RESTART);
    scene.obey("enable");
    let mut compared = 0;
    for n in 0..20 {
        let form = &forms[n * 7];
        let event = scene.with(|session, now| form.change(session, u32::try_from(n).unwrap(), now));
        let (values, fragments) = scene.obey("listen");
        assert_same(&values, &as_told([event]));
        assert_eq!(
            (&fragments[0]["unsolicited"], &fragments[0]["confirm"]),
            (&Json::Bool(true), &Json::Bool(true))
        );
        compared += values.len();
    }
    println!("{compared} events compared");
    // an answer comes through all the same, and when it is no longer wanted nothing is told
    scene.obey("disable");
    let others: Vec<Form> =
        forms.iter().enumerate().filter(|(i, _)| i % 7 > 0).map(|(_, form)| *form).collect();
    let expected = change(&scene, &others, 0..1);
    assert_same(&scene.obey("events").0, &as_told(expected));
    scene.lets_all_go().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_strange_master_clears_the_restart_and_sets_the_clock() {
    let config =
        SessionConfig { need_time: true, clock_offset_ms: -90_000, ..SessionConfig::new(OUTSTATION, MASTER) };
    let mut database = Database::new(10);
    database.add(Kind::Counter, 3, PointConfig::of(Kind::Counter).class(Class::Two)).unwrap();
    let mut scene = Scene::of(Session::new(config, database)).await;
    let indications = |fragments: Vec<Json>| fragments.last().unwrap()["indications"].as_u64().unwrap();
    assert_eq!(indications(scene.obey("events").1), RESTART | NEED_TIME);
    assert_eq!(indications(scene.obey("clear").1), NEED_TIME);
    assert_eq!(indications(scene.obey("clock 1700000000000").1), 0);
    let clock = scene.with(|session, now| session.clock(now).millis());
    let since = u64::try_from(scene.began.elapsed().as_millis()).unwrap();
    assert!((1_700_000_000_000..=1_700_000_000_000 + since).contains(&clock), "{clock}");
    scene.with(|session, now| {
        session.update(Kind::Counter, 3, Value::Counter(7), Flags::ONLINE, now).unwrap()
    });
    assert_eq!(indications(scene.obey("clear").1) & EVENTS, 0x04, "an event of class 2 waits");
    let (values, _) = scene.obey("events");
    assert!((1_700_000_000_000..).contains(&values[0].time.unwrap()));
}
