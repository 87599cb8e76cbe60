//! An independent dissector reads what our master and our outstation say to each other, and both agree on every field of it.

use std::collections::BTreeSet;
use std::time::Duration;

use dnp3::link::{self, Control, Header};
use dnp3::master::{AssociationConfig, Classes, Note, TimeSync};
use dnp3::objects::{Class, Fields, Kind, Layout, Number, attribute::variation, shape};
use dnp3::outstation::{Restart, SessionConfig, UnsolicitedConfig};

use crate::agreement::{EVERYTHING, Exchange, agree, everything};
use crate::dissected::{self, six_digits};
use crate::dissector::{Packet, dissect, is_unknown};
use crate::told::{Told, assert_same, points};
use crate::variations::{Form, MASTER, OUTSTATION, every_form, session, variations};
use crate::wire::{THEN, Wire};

const S: u64 = 1_000;

/// Polls events every ten seconds, everything every 25, and nothing else.
fn polls() -> AssociationConfig {
    AssociationConfig {
        integrity_period: Duration::from_secs(25),
        clock_period: Duration::ZERO,
        attributes: false,
        ..AssociationConfig::new(OUTSTATION, Duration::from_secs(10))
    }
}

fn plain() -> SessionConfig {
    SessionConfig::new(OUTSTATION, MASTER)
}

/// What it has to say of a form: a device whose points are all of it, its events read alone, and then its present values.
fn events_then_present(form: Form, connection: u16) -> (Wire, Vec<Told>, Vec<Told>) {
    let forms: Vec<Form> = [0, 1, 2, 9, 255, 256, 300].map(|index| Form { index, ..form }).into();
    let mut wire = Wire::new(session(plain(), &forms), polls());
    wire.connection = connection;
    wire.run(S);
    wire.keeper.read.clear();
    let mut events = vec![];
    for n in 0..5 {
        for form in &forms {
            let now = wire.now();
            events.push(form.change(wire.session(), n, now));
        }
        wire.run(700);
    }
    wire.run(30 * S);
    let present = forms.iter().map(|form| form.present(wire.session())).collect();
    (wire, events, present)
}

fn is_single_precision(object: u64) -> bool {
    let [group, variation] = [object >> 8, object & 0xFF].map(|byte| u8::try_from(byte).unwrap());
    matches!(
        shape(group, variation).map(|shape| shape.layout),
        Some(Layout::Fields(Fields { number: Number::F32, .. }))
    )
}

/// That it reads the same values.
fn assert_reads(packet: &Packet, expected: &[Told]) {
    let mut expected = expected.to_vec();
    let mut told = dissected::told(packet);
    if packet.whole("dnp3.al.obj").last().is_some_and(|object| is_single_precision(*object)) {
        expected.iter_mut().chain(&mut told).for_each(|told| told.number = six_digits(told.number));
    }
    assert_same(&told, &expected);
}

#[test]
fn every_form_is_read_as_it_was_meant() {
    let (mut sent, mut stories) = (vec![], vec![]);
    for kind in Kind::ALL {
        let (present, event) = (variations(kind.static_group()), variations(kind.event_group()));
        for i in 0..present.len().max(event.len()) {
            let at = |of: &[u8]| of[i % of.len()];
            let form =
                Form { kind: *kind, index: 0, class: Class::Two, present: at(&present), event: at(&event) };
            let (mut wire, events, present) =
                events_then_present(form, u16::try_from(stories.len()).unwrap());
            let read: Vec<Told> = events.iter().chain(&present).cloned().collect();
            assert_same(&wire.keeper.read, &read);
            sent.append(&mut wire.sent);
            stories.push((form, events, present));
        }
    }
    let packets = dissect(&sent, &[&dissected::fields()[..], &["dnp3.al.func"]].concat());
    let (mut forms, mut unknown, mut values) = (BTreeSet::new(), BTreeSet::new(), 0);
    for (stream, (form, events, present)) in stories.iter().enumerate() {
        let mine =
            packets.iter().map(|(_, packet)| packet).filter(|p| p.whole("tcp.stream") == [stream as u64]);
        let answers = mine.filter(|p| p.whole("dnp3.al.func") == [129] && !p.all("dnp3.al.obj").is_empty());
        // the first brings points that were never updated
        let answers: Vec<&Packet> = answers.skip(1).collect();
        assert_eq!(answers.len(), 2, "{form:?}");
        for (packet, expected) in answers.iter().zip([events, present]) {
            let object = *packet.whole("dnp3.al.obj").last().unwrap();
            if is_unknown(object) {
                unknown.insert(object);
            } else {
                assert_reads(packet, expected);
                forms.insert(object);
                values += expected.len();
            }
        }
    }
    println!("{} forms with {values} values read, {} not known to the dissector", forms.len(), unknown.len());
    // It gives octet strings of every length as variation 0 of their group.
    assert_eq!((forms.len(), unknown.len()), (65, 11), "{forms:04X?}");
}

/// Every form that the dissector knows.
fn known_forms() -> Vec<Form> {
    let known = |form: &Form| {
        let object = |group: u8, variation: u8| u64::from(group) << 8 | u64::from(variation);
        let (present, event) = (form.kind.static_group(), form.kind.event_group());
        !is_unknown(object(present, form.present)) && !is_unknown(object(event, form.event))
    };
    every_form(1).into_iter().filter(known).collect()
}

#[test]
fn a_long_answer_is_put_together_again_and_confirmed() {
    let base = Form { kind: Kind::Counter, index: 0, class: Class::One, present: 1, event: 5 };
    let forms: Vec<Form> = (0..3_000).map(|index| Form { index, ..base }).collect();
    let mut wire = Wire::new(session(plain(), &forms), polls());
    wire.run(S);
    let now = wire.now();
    let events: Vec<Told> = forms.iter().map(|form| form.change(wire.session(), 1, now)).collect();
    wire.sent.clear();
    wire.run(40 * S);
    let packets = dissect(&wire.sent, &[&dissected::fields()[..], &EVERYTHING].concat());
    let fragments = agree(&packets);
    let answers = fragments.iter().filter(|exchange| exchange.bytes[1] == 129 && exchange.bytes.len() > 4);
    let (mut told, mut many) = (vec![], 0);
    for exchange in answers {
        let ours: Vec<Told> = points(&exchange.fragment()).into_iter().map(|(_, told)| told).collect();
        if exchange.read {
            assert_same(&dissected::told(exchange.packet), &ours);
            many += u32::from(exchange.bytes.len() > 2_000);
        }
        told.extend(ours);
    }
    let present: Vec<Told> = forms.iter().map(|form| form.present(wire.session())).collect();
    assert_same(&told, &events.into_iter().chain(present).collect::<Vec<_>>());
    let confirmed = fragments.iter().filter(|exchange| exchange.bytes[1] == 0).count();
    let to_confirm = fragments.iter().filter(|exchange| exchange.bytes[0] & 0x20 != 0).count();
    println!("{many} long fragments of {} frames with {} values", packets.len(), told.len());
    assert_eq!(confirmed, to_confirm);
    assert!(many > 20);
}

#[test]
fn unsolicited_reports_and_housekeeping_are_what_they_should_be() {
    let forms = known_forms();
    let mut sent = vec![];
    for (connection, time_sync) in [(0, TimeSync::Lan), (10, TimeSync::NonLan)] {
        let config = SessionConfig {
            need_time: true,
            clock_offset_ms: -90_000,
            unsolicited: Some(UnsolicitedConfig::default()),
            ..plain()
        };
        let mut session = session(config, &forms);
        for (variation, text) in ATTRIBUTES {
            session.database_mut().set_attribute(variation, text);
        }
        let master = AssociationConfig {
            time_sync,
            unsolicited: Classes::EVENTS,
            attributes: true,
            event_polls: vec![],
            clock_period: Duration::from_secs(10),
            ..polls()
        };
        let mut wire = Wire::new(session, master);
        wire.connection = connection;
        wire.run(3 * S);
        for form in forms.iter().filter(|form| form.kind == Kind::Analog) {
            let now = wire.now();
            form.change(wire.session(), 1, now);
            wire.run(2 * S);
        }
        wire.session().restart(Restart::KeepEvents);
        wire.session().need_time();
        wire.run(30 * S);
        assert!(wire.keeper.notes.contains(&Note::ClockSet));
        sent.append(&mut wire.sent);
    }
    let packets = everything(&sent);
    let fragments = agree(&packets);
    let functions: BTreeSet<u8> = fragments.iter().map(|exchange| exchange.bytes[1]).collect();
    assert_eq!(functions, BTreeSet::from([0, 1, 2, 20, 21, 23, 24, 129, 130]));
    let with = |function: u8, object: u64| {
        let is = move |e: &&Exchange<'_>| {
            e.bytes[1] == function && e.packet.whole("dnp3.al.obj").first() == Some(&object)
        };
        fragments.iter().filter(is).collect::<Vec<_>>()
    };
    // The time is written as it was when that was sent, by both procedures: nothing takes time on this wire.
    for variation in [1, 3] {
        let writes = with(2, 0x3200 + variation);
        assert!(writes.len() >= 2, "one after each restart");
        assert!(writes.iter().all(|e| e.packet.times("dnp3.al.timestamp") == [e.at]));
    }
    // From then on the outstation's own clock is right.
    let clocks = with(129, 0x3201);
    let late = clocks.iter().filter(|e| e.at >= THEN + 10 * S);
    assert!(late.map(|e| assert_eq!(e.packet.times("dnp3.al.timestamp"), [e.at])).count() >= 4);
    let clears = with(2, 0x5001);
    assert!(clears.len() >= 4 && clears.iter().all(|e| e.packet.whole("dnp3.al.point_index") == [7]));
    assert!(with(129, 0x3402).iter().all(|e| e.packet.whole("dnp3.al.time_delay") == [0]));
    assert!(!with(129, 0x3402).is_empty());
    let attributes = fragments.iter().find(|e| !e.packet.all("dnp3.al.da.value").is_empty()).unwrap();
    assert_eq!(attributes.packet.all("dnp3.al.da.value"), ATTRIBUTES.map(|(_, text)| text));
    let reports = fragments.iter().filter(|e| e.bytes[1] == 130);
    println!("{} fragments in {} frames", fragments.len(), packets.len());
    assert!(reports.filter(|e| e.bytes.len() > 4).count() >= 10);
}

const ATTRIBUTES: [(u8, &str); 4] = [
    (variation::SOFTWARE_VERSION, "2.7.1"),
    (variation::SERIAL_NUMBER, "000417"),
    (variation::MODEL, "Regulator control"),
    (variation::MANUFACTURER, "Maker of controls"),
];

/// A frame as somebody else might send it.
fn frame(from_master: bool, control: u8, user_data: &[u8]) -> Vec<u8> {
    let direction = if from_master { 0x80 } else { 0 };
    let (source, destination) = if from_master { (MASTER, OUTSTATION) } else { (OUTSTATION, MASTER) };
    let mut bytes = vec![];
    let header = Header { control: Control::from_byte(direction | control), source, destination };
    link::encode(header, user_data, &mut bytes);
    bytes
}

#[test]
fn requests_of_the_link_layer_are_answered_and_controls_refused() {
    let mut wire =
        Wire::new(session(plain(), &known_forms()), AssociationConfig { event_polls: vec![], ..polls() });
    wire.run(S);
    // reset, test, confirmed user data (an unknown function), link status, and a function that there is not
    let requests = [(0x40, 0), (0x72, 0), (0x53, 15), (0x49, 11), (0x47, 15)];
    let confirmed: &[u8] = &[0xC0, 0xC0, 13];
    for from_master in [true, false] {
        for (control, _) in requests {
            let user_data = if control == 0x53 { confirmed } else { &[] };
            wire.inject(from_master, &frame(from_master, control, user_data));
        }
    }
    // SELECT, OPERATE and both DIRECT OPERATEs of a relay; six ways to freeze counters; both restarts; assigning classes
    let mut refused = 0;
    for function in (3..=14).chain([22]) {
        let objects: &[u8] = match function {
            3..=6 => &[12, 1, 0x28, 1, 0, 3, 0, 0x41, 1, 100, 0, 0, 0, 100, 0, 0, 0, 0],
            7..=12 => &[20, 0, 6],
            22 => &[60, 2, 6, 1, 0, 6],
            _ => &[],
        };
        let before = wire.sent.len();
        wire.inject(true, &frame(true, 0x44, &[&[0xC0, 0xC0 | (function % 16), function], objects].concat()));
        refused += wire.sent[before..].iter().filter(|sent| !sent.from_master).count();
    }
    // as long as nobody says anything, the master asks whether anybody is there
    wire.run(24 * S);
    let packets = everything(&wire.sent);
    let fragments = agree(&packets);
    let answers = |from_master: bool| {
        let answers = packets
            .iter()
            .filter(move |(sent, p)| sent.from_master == from_master && p.whole("dnp3.ctl.prm") == [0]);
        answers.map(|(_, packet)| packet.whole("dnp3.ctl.secfunc")[0]).collect::<Vec<_>>()
    };
    assert_eq!(answers(true), [0, 0, 0, 11, 15]);
    assert_eq!(answers(false), [0, 0, 0, 11, 15, 11], "the last is to our master");
    let asked =
        packets.iter().filter(|(sent, packet)| sent.from_master && packet.whole("dnp3.ctl.prifunc") == [9]);
    assert_eq!(asked.count(), 2);
    let refusals =
        fragments.iter().filter(|e| e.packet.whole("dnp3.al.iin").first().is_some_and(|i| i & 1 != 0));
    // Four functions ask for no answer (table 4-2): one direct operate and three ways to freeze. The confirmed one, and that to be silent, come on top.
    assert_eq!(refused, 13 - 4);
    assert_eq!(refusals.count(), refused + 2);
}
