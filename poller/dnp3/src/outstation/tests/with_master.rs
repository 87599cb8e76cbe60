//! Stories of our master with our outstation.

use super::pair::{Pair, association, counters, reporting};
use super::*;
use crate::application::Indications;
use crate::link::Address;
use crate::master::{AssociationConfig, Note, TimeSync};
use crate::objects::Classes;

#[test]
fn a_day_of_polls_brings_every_event_once() {
    let mut database = counters();
    database.set_attribute(crate::objects::attribute::variation::MANUFACTURER, "Maker");
    let mut pair = Pair::new(reporting(), database, association());
    for _ in 0..200 {
        pair.run(7_001);
        pair.happens();
        pair.happens();
    }
    pair.run(10_001);
    assert_eq!(pair.failures(), [&Note::Restarted; 0]);
    assert_eq!(pair.keeper.arrived.len(), 400);
    assert!(pair.keeper.arrived.values().all(|times| *times == 1));
    assert_eq!(pair.let_go.len(), 400);
    assert_eq!(pair.session().indications(), Indications::NONE);
}

#[test]
fn reports_bring_every_event_once_without_a_poll() {
    let mut quiet = association();
    quiet.event_polls.clear();
    quiet.unsolicited = Classes::EVENTS;
    let mut pair = Pair::new(reporting(), counters(), quiet);
    for _ in 0..50 {
        pair.run(3_000);
        pair.happens();
    }
    pair.run(3_000);
    assert!(pair.keeper.arrived.len() == 50 && pair.keeper.arrived.values().all(|times| *times == 1));
    assert_eq!(pair.let_go.len(), 50);
    assert!(pair.keeper.tasks.contains(&None));
}

#[test]
fn both_ways_to_set_the_clock_set_it() {
    for time_sync in [TimeSync::Lan, TimeSync::NonLan] {
        let session = SessionConfig { need_time: true, clock_offset_ms: -90_000, ..config() };
        let mut pair = Pair::new(session, counters(), AssociationConfig { time_sync, ..association() });
        pair.run(1_000);
        let now = at(pair.millis);
        let behind = now.wall.millis().abs_diff(pair.session().clock(now).millis());
        assert!(behind <= 2, "{behind} ms");
        assert!(pair.keeper.notes.contains(&Note::ClockSet));
    }
}

#[test]
fn a_clock_that_is_wrong_is_noticed() {
    let session = SessionConfig { clock_offset_ms: -90_000, ..config() };
    let mut pair = Pair::new(session, counters(), association());
    pair.run(700_000);
    assert!(pair.keeper.notes.contains(&Note::ClockOffset { millis: -90_000 }));
}

#[test]
fn a_restart_is_noticed_and_cleared_and_everything_read_again() {
    let mut pair = Pair::new(reporting(), counters(), association());
    pair.run(60_000);
    pair.happens();
    pair.session().restart(Restart::KeepEvents);
    pair.cut();
    let restarts = |pair: &Pair| pair.keeper.notes.iter().filter(|n| **n == Note::Restarted).count();
    let before = restarts(&pair);
    pair.run(60_000);
    assert_eq!(restarts(&pair), before + 1);
    assert_eq!(pair.session().indications(), Indications::NONE);
    assert_eq!(pair.keeper.arrived.get(&1), Some(&1));
}

#[test]
fn an_answer_of_many_fragments_arrives_whole() {
    let mut database = points(Kind::Analog, 3_000);
    database.add(Kind::Octets, 0, PointConfig::of(Kind::Octets)).unwrap();
    let mut pair = Pair::new(SessionConfig { max_fragment: 500, ..config() }, database, association());
    pair.run(1_000);
    assert_eq!(pair.keeper.present.len(), 3_001);
}

#[test]
fn whatever_the_device_does_wrong_the_master_recovers_when_it_stops() {
    let every = Duration::from_millis(20);
    for what in [
        Misbehaviour { silent: true, ..Misbehaviour::default() },
        Misbehaviour { late: Duration::from_secs(7), ..Misbehaviour::default() },
        Misbehaviour { wrong_sequence: true, ..Misbehaviour::default() },
        Misbehaviour { truncated: true, ..Misbehaviour::default() },
        Misbehaviour { bad_crc: true, ..Misbehaviour::default() },
        Misbehaviour { wrong_source: Some(Address::from_wire(77)), ..Misbehaviour::default() },
        Misbehaviour { garbage_bytes: 1_000, ..Misbehaviour::default() },
        Misbehaviour { drip: Some(every), ..Misbehaviour::default() },
        Misbehaviour { flood: Some(every), ..Misbehaviour::default() },
        Misbehaviour { endless: Some(every), ..Misbehaviour::default() },
    ] {
        let mut pair = Pair::new(config(), counters(), association());
        pair.run(30_000);
        let now = at(pair.millis);
        pair.station.misbehave(OUTSTATION, what, now);
        for _ in 0..10 {
            pair.happens();
            pair.run(30_000);
        }
        let now = at(pair.millis);
        pair.station.misbehave(OUTSTATION, Misbehaviour::default(), now);
        pair.run(150_000);
        assert_eq!(pair.keeper.stored.len(), 10, "{what:?}");
        assert_eq!(pair.session().database().waiting_events(), 0, "{what:?}");
    }
}
