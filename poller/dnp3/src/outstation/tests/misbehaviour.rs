//! Ways to go wrong.

use super::station::{answer, frames, link_status_request, said};
use super::*;
use crate::link::Parser;

const READ: &str = "C0 01 3C 01 06";
const ANSWER: &str = "C0 81 80 00 01 02 00 00 00 02";

fn bad(what: Misbehaviour) -> Station {
    let mut station = Station::new(vec![Session::new(config(), points(Kind::Binary, 1))]);
    station.connected(at(0));
    station.misbehave(OUTSTATION, what, at(0));
    station
}

fn ask(station: &mut Station) -> Vec<String> {
    answer(station, &frames(READ, MASTER, OUTSTATION), at(0)).into_iter().map(|(.., what)| what).collect()
}

/// What comes until so many milliseconds have passed, looking only when told to.
fn until(station: &mut Station, millis: u64) -> Vec<(u64, String)> {
    let mut all = vec![];
    let mut waiting = std::mem::take(station.output());
    while let Some(next) = station.next_deadline().filter(|next| *next <= Duration::from_millis(millis)) {
        let now = u64::try_from(next.as_millis()).unwrap();
        station.tick(at(now));
        waiting.append(station.output());
        let said = said(&waiting);
        if !said.is_empty() {
            waiting.clear();
        }
        all.extend(said.into_iter().map(|(.., what)| (now, what)));
    }
    all
}

#[test]
fn silence_is_silence_of_the_link_too() {
    let mut station = bad(Misbehaviour { silent: true, ..Misbehaviour::default() });
    assert_eq!(ask(&mut station), [""; 0]);
    station.receive(&link_status_request(), at(0));
    assert_eq!(station.output().len(), 0);
    station.misbehave(OUTSTATION, Misbehaviour::default(), at(0));
    assert_eq!(ask(&mut station), [ANSWER]);
}

#[test]
fn late_is_late_and_in_order() {
    let mut station = bad(Misbehaviour { late: Duration::from_millis(700), ..Misbehaviour::default() });
    assert_eq!(ask(&mut station), [""; 0]);
    station.misbehave(OUTSTATION, Misbehaviour::default(), at(0));
    station.receive(&frames("C1 01 3C 01 06", MASTER, OUTSTATION), at(100));
    let second = ANSWER.replacen("C0", "C1", 1);
    assert_eq!(until(&mut station, 10_000), [(700, ANSWER.to_owned()), (700, second)]);
}

#[test]
fn late_ends_with_the_connection() {
    let mut station = bad(Misbehaviour { late: Duration::from_millis(700), ..Misbehaviour::default() });
    ask(&mut station);
    station.disconnected();
    station.connected(at(100));
    assert_eq!(until(&mut station, 10_000), []);
}

#[test]
fn a_wrong_number() {
    let mut station = bad(Misbehaviour { wrong_sequence: true, ..Misbehaviour::default() });
    assert_eq!(ask(&mut station), [ANSWER.replacen("C0", "C1", 1)]);
}

#[test]
fn a_wrong_source() {
    let other = Address::from_wire(99);
    let mut station = bad(Misbehaviour { wrong_source: Some(other), ..Misbehaviour::default() });
    let said = answer(&mut station, &frames(READ, MASTER, OUTSTATION), at(0));
    assert_eq!(said, [(99, 1, ANSWER.to_owned())]);
}

#[test]
fn half_a_frame_and_a_wrong_check_word() {
    let mut station = bad(Misbehaviour { truncated: true, ..Misbehaviour::default() });
    assert_eq!(ask(&mut station), [""; 0]);
    assert!(!station.output().is_empty());
    let mut station = bad(Misbehaviour { bad_crc: true, ..Misbehaviour::default() });
    assert_eq!(ask(&mut station), [""; 0]);
    let mut parser = Parser::new();
    parser.take(station.output());
    assert!(parser.next_frame().is_none());
    assert_eq!(parser.counters().bad_blocks, 1);
}

#[test]
fn garbage_before_the_answer() {
    let mut station = bad(Misbehaviour { garbage_bytes: 100, ..Misbehaviour::default() });
    assert_eq!(ask(&mut station), [ANSWER]);
    assert_eq!(station.output().len(), 100 + 10 + 11 + 2);
}

#[test]
fn byte_by_byte() {
    let every = Duration::from_millis(50);
    let mut station = bad(Misbehaviour { drip: Some(every), ..Misbehaviour::default() });
    assert_eq!(ask(&mut station), [""; 0]);
    assert_eq!(until(&mut station, 10_000), [(50 * 23, ANSWER.to_owned())]);
}

#[test]
fn a_flood_does_not_end_until_it_is_told_to() {
    let mut station = bad(Misbehaviour { flood: Some(Duration::from_millis(10)), ..Misbehaviour::default() });
    let flood = until(&mut station, 1_000);
    assert_eq!(flood.len(), 101);
    assert_eq!(flood[1], (10, "C1 81 00 00".to_owned()));
    // nobody looked for a day
    station.tick(at(86_400_000));
    assert_eq!(said(station.output()).len(), 1_000);
    station.output().clear();
    station.misbehave(OUTSTATION, Misbehaviour::default(), at(86_400_000));
    assert_eq!(station.next_deadline(), None);
}

#[test]
fn an_answer_without_end() {
    let every = Duration::from_secs(1);
    let mut station = bad(Misbehaviour { endless: Some(every), ..Misbehaviour::default() });
    assert_eq!(ask(&mut station), [ANSWER.replacen("C0", "80", 1)]);
    station.output().clear();
    let rest = until(&mut station, 3_500);
    let expected = [(1_000, "01 81 00 00"), (2_000, "02 81 00 00"), (3_000, "03 81 00 00")];
    assert_eq!(rest, expected.map(|(at, what)| (at, what.to_owned())));
    // another request begins another
    assert_eq!(ask(&mut station), [ANSWER.replacen("C0", "80", 1)]);
}
