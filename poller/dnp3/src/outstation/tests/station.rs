//! Outstations behind one connection: frames in, frames out.

use super::*;
use crate::link::{self, Control, Function, Header, Parser, Primary};
use crate::transport::{Reassembly, Segments, Sequence};

/// A fragment in frames.
pub(super) fn frames(fragment: &str, from: Address, to: Address) -> Vec<u8> {
    let function = Function::Primary(Primary::UnconfirmedUserData);
    let header = Header { control: Control::new(true, function), destination: to, source: from };
    let (fragment, mut segment, mut out) = (hex(fragment), vec![], vec![]);
    let mut segments = Segments::of(&fragment, Sequence::default());
    while segments.next_into(&mut segment) {
        link::encode(header, &segment, &mut out);
    }
    out
}

/// What frames say: from whom, to whom, and the fragments, or the function of the link layer.
pub(super) fn said(bytes: &[u8]) -> Vec<(u16, u16, String)> {
    let mut parser = Parser::new();
    let mut reassembly = Reassembly::new(2048);
    let mut all = vec![];
    parser.take(bytes);
    while let Some(frame) = parser.next_frame() {
        assert!(!frame.header.control.from_master);
        let what = match frame.header.control.function {
            Function::Primary(_) => reassembly.take(frame.user_data).map(text),
            other => Some(format!("{other:?}")),
        };
        let (from, to) = (frame.header.source.number(), frame.header.destination.number());
        all.extend(what.map(|what| (from, to, what)));
    }
    all
}

pub(super) fn link_status_request() -> Vec<u8> {
    let mut out = vec![];
    let function = Function::Primary(Primary::RequestLinkStatus);
    let header = Header { control: Control::new(true, function), destination: OUTSTATION, source: MASTER };
    link::encode(header, &[], &mut out);
    out
}

pub(super) fn answer(station: &mut Station, bytes: &[u8], now: Now) -> Vec<(u16, u16, String)> {
    station.output().clear();
    station.receive(bytes, now);
    said(station.output())
}

fn two() -> Station {
    let other = Address::from_wire(11);
    let session = |config, kind| Session::new(config, points(kind, 1));
    let mut station = Station::new(vec![
        session(config(), Kind::Binary),
        session(SessionConfig::new(other, MASTER), Kind::Counter),
    ]);
    station.connected(at(0));
    station
}

/// The request is that of `link::tests::frames`.
#[test]
fn a_published_request_is_answered_in_a_frame() {
    let mut station = two();
    station.receive(&hex("05 64 0B C4 0A 00 01 00 AC D1 C0 C0 01 3C 01 06 FF 50"), at(0));
    assert_eq!(station.output()[..8], hex("05 64 10 44 01 00 0A 00"));
    assert_eq!(said(station.output()), [(10, 1, "C0 81 80 00 01 02 00 00 00 02".into())]);
}

#[test]
fn each_answers_for_itself_and_to_whoever_asks() {
    let mut station = two();
    let (first, second) = (Address::from_wire(10), Address::from_wire(11));
    let mut ask =
        |from: u16, to| answer(&mut station, &frames("C0 01 3C 01 06", Address::from_wire(from), to), at(0));
    assert_eq!(ask(1, first), [(10, 1, "C0 81 80 00 01 02 00 00 00 02".into())]);
    assert_eq!(ask(2, second), [(11, 2, "C0 81 80 00 14 01 00 00 00 02 00 00 00 00".into())]);
    assert_eq!(ask(1, Address::from_wire(12)), []);
    assert_eq!(station.foreign_frames(), 1);
}

#[test]
fn what_comes_from_another_outstation_is_not_obeyed() {
    let mut station = two();
    let mut bytes = vec![];
    let function = Function::Primary(Primary::UnconfirmedUserData);
    let header = Header { control: Control::new(false, function), destination: OUTSTATION, source: MASTER };
    link::encode(header, &hex("C0 C0 01 3C 01 06"), &mut bytes);
    assert_eq!(answer(&mut station, &bytes, at(0)), []);
    assert_eq!(station.foreign_frames(), 1);
}

#[test]
fn what_is_said_to_everybody_reaches_everybody_and_is_not_answered() {
    let mut station = two();
    let everybody = Address::from_wire(0xFFFF);
    assert_eq!(answer(&mut station, &frames("C0 02 50 01 00 07 07 00", MASTER, everybody), at(0)), []);
    let told: Vec<_> = station.sessions().map(|s| s.indications().bytes()).collect();
    assert_eq!(told, [[0x01, 0], [0x01, 0]]);
}

#[test]
fn the_link_is_answered_for() {
    let mut station = two();
    assert_eq!(
        answer(&mut station, &link_status_request(), at(0)),
        [(10, 1, "Secondary(LinkStatus)".into())]
    );
}

#[test]
fn a_long_fragment_takes_several_frames() {
    let mut station = Station::new(vec![Session::new(config(), points(Kind::Analog, 300))]);
    station.connected(at(0));
    let said = answer(&mut station, &frames("C0 01 3C 01 06", MASTER, OUTSTATION), at(0));
    assert_eq!(said.len(), 1);
    assert!(hex(&said[0].2).len() > 1_000);
    assert!(station.output().len() > hex(&said[0].2).len() + 100);
}

#[test]
fn events_outlive_the_connection_and_what_was_under_way_on_it() {
    let mut station = two();
    let update = |station: &mut Station, on| {
        let session = station.session_mut(OUTSTATION).unwrap();
        session.update(Kind::Binary, 0, Value::Binary(on), Flags::ONLINE, at(0)).unwrap();
    };
    update(&mut station, true);
    let ask = frames("C0 01 3C 02 06", MASTER, OUTSTATION);
    assert_eq!(answer(&mut station, &ask, at(0))[0].2, "E0 81 80 00 02 01 28 01 00 00 00 81");
    station.disconnected();
    assert_eq!(station.next_deadline(), None);
    update(&mut station, false);
    assert_eq!(answer(&mut station, &ask, at(0)), [], "nobody is there");
    station.connected(at(0));
    assert_eq!(answer(&mut station, &frames("C0 00", MASTER, OUTSTATION), at(0)), []);
    assert_eq!(answer(&mut station, &ask, at(0))[0].2, "E0 81 80 00 02 01 28 02 00 00 00 81 00 00 01");
}

#[test]
fn a_report_goes_to_the_master_as_soon_as_there_is_a_connection() {
    let unsolicited = Some(UnsolicitedConfig::default());
    let mut station =
        Station::new(vec![Session::new(SessionConfig { unsolicited, ..config() }, Database::new(9))]);
    station.tick(at(0));
    assert_eq!(station.output().len(), 0);
    station.connected(at(10));
    assert_eq!(said(station.output()), [(10, 1, "F0 82 80 00".into())]);
    station.output().clear();
    assert_eq!(station.next_deadline(), Some(Duration::from_millis(5_010)));
    station.tick(at(5_010));
    assert_eq!(said(station.output()), [(10, 1, "F0 82 80 00".into())]);
}
