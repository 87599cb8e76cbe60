//! Our master reads an outstation that is not ours.
//!
//! That outstation never asks for a confirmation of events, as it must (clause 4.2.2.4.3), and forgets them when they are sent; so what becomes of events on
//! a bad line is shown with our own outstation, in the tests of the crate.

use std::collections::BTreeMap;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::{Duration, Instant};

use dnp3::Now;
use dnp3::application::Indications;
use dnp3::link::Address;
use dnp3::master::{
    Arrived, AssociationConfig, Channel, ChannelConfig, Classes, EventPoll, Failure, Host, Note, Receipt,
    Task, TimeSync, Token,
};
use dnp3::net::drive;
use dnp3::objects::{Kind, Timestamp};
use tokio::net::TcpStream;
use tokio::sync::mpsc::{UnboundedSender, unbounded_channel};
use tokio::sync::oneshot;

use crate::peer::{PATIENCE, Peer};
use crate::told::{Told, points};

/// 2014-12-28T21:32:21Z: when it is, as far as our master knows.
const THEN: u64 = 1_419_802_341_000;

enum Heard {
    Values(Vec<(bool, Told)>),
    Note(Note),
}

/// Passes on everything, and stores everything at once.
struct Ear {
    tell: Sender<Heard>,
    stored: UnboundedSender<(Token, bool)>,
}

impl Host for Ear {
    fn arrived(&mut self, arrived: &Arrived<'_>) -> Receipt {
        self.tell.send(Heard::Values(points(&arrived.fragment))).unwrap();
        arrived.token.into_iter().for_each(|token| self.stored.send((token, true)).unwrap());
        Receipt::WhenStored
    }

    fn note(&mut self, _: Address, note: Note) {
        self.tell.send(Heard::Note(note)).unwrap();
    }
}

type Key = (Kind, u16);

/// What our master has read so far.
struct Read {
    heard: Receiver<Heard>,
    present: BTreeMap<Key, Told>,
    events: BTreeMap<Key, Vec<Told>>,
    notes: Vec<Note>,
}

impl Read {
    fn next(&mut self) {
        match self.heard.recv_timeout(PATIENCE).expect("our master reads nothing more") {
            Heard::Note(note) => self.notes.push(note),
            Heard::Values(values) => {
                for (event, told) in values {
                    let key = (told.kind, told.index);
                    if event {
                        self.events.entry(key).or_default().push(told);
                    } else {
                        self.present.insert(key, told);
                    }
                }
            }
        }
    }

    fn polls_of_everything(&self) -> usize {
        self.notes.iter().filter(|note| matches!(note, Note::Done { task: Task::Integrity, .. })).count()
    }

    /// Waits for a poll of everything that began after now, and compares every point with what the peer holds.
    fn is_what_is_held(&mut self, peer: &mut Peer, clocks: &mut Vec<u64>) -> usize {
        let before = self.polls_of_everything();
        while self.polls_of_everything() < before + 2 {
            self.next();
        }
        let told = peer.obey("hold");
        clocks.extend(told.iter().filter_map(|told| told["clock"].as_u64()));
        let held =
            told.iter().filter(|told| told.get("held").is_some()).map(|told| Told::theirs(&told["held"]));
        let held: BTreeMap<Key, Told> = held.map(|told| ((told.kind, told.index), told)).collect();
        assert_eq!(self.present, held);
        held.len()
    }
}

/// What an event of a kind comes as. This library sends events of binary outputs as events of binary inputs (group 2), and events of frozen
/// counters as events of counters (group 22); by annexes A.7 and A.13 they belong in groups 11 and 23. Our master goes by what is written.
const fn comes_as(kind: Kind) -> Kind {
    match kind {
        Kind::BinaryOutput => Kind::Binary,
        Kind::FrozenCounter => Kind::Counter,
        kind => kind,
    }
}

fn association(time_sync: TimeSync) -> AssociationConfig {
    let often = Duration::from_millis(30);
    AssociationConfig {
        integrity_period: Duration::from_millis(300),
        event_polls: vec![EventPoll { classes: Classes::EVENTS, period: often }],
        unsolicited: Classes::EVENTS,
        time_sync,
        ..AssociationConfig::new(Address::from_wire(10), often)
    }
}

async fn reads_right(time_sync: TimeSync, rounds: usize) {
    let mut peer = Peer::start("dnp3_outstation.py", &format!("{time_sync:?}"));
    let stream = TcpStream::connect(("127.0.0.1", peer.port)).await.unwrap();
    stream.set_nodelay(true).unwrap();
    let (tell, heard) = channel();
    let (store, mut stored) = unbounded_channel();
    let (stop, stopped) = oneshot::channel::<()>();
    let began = Instant::now();
    let now = move || {
        let monotonic = began.elapsed();
        let wall = Timestamp::from_millis(THEN).plus(u64::try_from(monotonic.as_millis()).unwrap());
        Now { monotonic, wall }
    };
    let driving = tokio::spawn(async move {
        let config =
            ChannelConfig { response_timeout: PATIENCE, ..ChannelConfig::new(Address::from_wire(1)) };
        let mut channel = Channel::new(config, vec![association(time_sync)], Duration::ZERO);
        let mut ear = Ear { tell, stored: store };
        tokio::select! {
            end = drive(stream, &mut channel, &mut ear, now, &mut stored) => panic!("{end}"),
            _ = stopped => channel,
        }
    });

    let mut read = Read { heard, present: BTreeMap::new(), events: BTreeMap::new(), notes: vec![] };
    let (mut clocks, mut happened) = (vec![], 0);
    let mut values = read.is_what_is_held(&mut peer, &mut clocks);
    for _ in 0..rounds {
        let mut expected: BTreeMap<Key, Vec<Told>> = BTreeMap::new();
        let told = peer.obey("change 120");
        clocks.extend(told.iter().filter_map(|told| told["clock"].as_u64()));
        for event in told.iter().filter(|told| told.get("event").is_some()) {
            let event = Told::theirs(&event["event"]);
            let event = Told { kind: comes_as(event.kind), ..event };
            expected.entry((event.kind, event.index)).or_default().push(event);
        }
        let count = |events: &BTreeMap<Key, Vec<Told>>| events.values().map(Vec::len).sum::<usize>();
        while count(&read.events) < count(&expected) {
            read.next();
        }
        assert_eq!(std::mem::take(&mut read.events), expected);
        happened += count(&expected);
        values += read.is_what_is_held(&mut peer, &mut clocks);
    }
    assert_eq!(read.events, BTreeMap::new(), "nothing came twice");
    println!("{happened} events and {values} present values compared");
    assert!(happened > 60 * rounds);

    stop.send(()).unwrap();
    let channel = driving.await.unwrap();
    let indications = channel.associations()[0].indications();
    assert!(!indications.any(Indications::DEVICE_RESTART), "the restart was cleared");
    assert_eq!(indications.any(Indications::NEED_TIME), time_sync == TimeSync::Never);
    assert_eq!(channel.link_counters().discarded_bytes, 0);
    assert!(read.notes.contains(&Note::Restarted));
    // The time that the peer took is ours, not its own: it lies years back.
    let until = now().wall.millis();
    assert_eq!(clocks.is_empty(), time_sync == TimeSync::Never);
    assert!(clocks.iter().all(|clock| (THEN..=until).contains(clock)), "{clocks:?}");
    assert_eq!(read.notes.contains(&Note::ClockSet), time_sync != TimeSync::Never);
    // An outstation of level 2 need not let its clock and its attributes be read (table 14-3): this one does not.
    for task in [Task::Clock, Task::Attributes] {
        let refused = |note: &&Note| matches!(note, Note::Failed { task: t, failure: Failure::Refused { .. }, .. } if *t == task);
        assert_eq!(read.notes.iter().filter(refused).count(), 1, "{task:?}");
    }
    let failed =
        |note: &&Note| matches!(note, Note::Failed { .. } | Note::Unreadable(_) | Note::UnsolicitedIgnored);
    assert_eq!(read.notes.iter().filter(failed).count(), 2, "{:?}", read.notes);
}

#[tokio::test(flavor = "multi_thread")]
async fn every_value_of_a_strange_outstation_is_read_right() {
    reads_right(TimeSync::Never, 6).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_strange_outstation_takes_the_time_by_the_procedure_for_networks() {
    reads_right(TimeSync::Lan, 1).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_strange_outstation_takes_the_time_by_the_procedure_for_slow_lines() {
    reads_right(TimeSync::NonLan, 1).await;
}
