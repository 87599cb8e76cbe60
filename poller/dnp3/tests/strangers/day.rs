//! Whatever an outstation does for a whole day, our master says nothing that operates anything: shown on the wire, by somebody else's reading of it.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use dnp3::application::Indications;
use dnp3::link::{self, Control, Header};
use dnp3::master::{AssociationConfig, Classes, TimeSync};
use dnp3::objects::{Class, Flags, Kind, Value};
use dnp3::outstation::{
    Database, Misbehaviour, PointConfig, Restart, Session, SessionConfig, UnsolicitedConfig,
};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

use crate::dissector::dissect;
use crate::variations::{MASTER, OUTSTATION};
use crate::wire::Wire;

const HOUR: u64 = 3_600_000;
/// Few enough to overflow.
const EVENTS: usize = 40;
const POINTS: u16 = 200;

fn device(rng: &mut Pcg64Mcg, reports: bool) -> Session {
    let mut database = Database::new(EVENTS);
    for index in 0..POINTS {
        let class = Class::EVENTS[usize::from(index % 3)];
        database.add(Kind::Analog, index, PointConfig::of(Kind::Analog).class(class)).unwrap();
    }
    database.set_attribute(252, "Maker of controls");
    let config = SessionConfig {
        need_time: rng.random(),
        max_fragment: if rng.random() { 2_048 } else { 300 },
        unsolicited: reports.then(UnsolicitedConfig::default),
        ..SessionConfig::new(OUTSTATION, MASTER)
    };
    Session::new(config, database)
}

fn misbehaviour(rng: &mut Pcg64Mcg) -> Misbehaviour {
    let every = Some(Duration::from_millis(rng.random_range(20..2_000)));
    let none = Misbehaviour::default();
    match rng.random_range(0..16) {
        0 => Misbehaviour { silent: true, ..none },
        1 => Misbehaviour { late: Duration::from_millis(rng.random_range(0..9_000)), ..none },
        2 => Misbehaviour { wrong_sequence: true, ..none },
        3 => Misbehaviour { truncated: true, ..none },
        4 => Misbehaviour { bad_crc: true, ..none },
        5 => Misbehaviour { wrong_source: Some(MASTER), ..none },
        6 => Misbehaviour { garbage_bytes: rng.random_range(1..3_000), ..none },
        7 => Misbehaviour { drip: Some(Duration::from_millis(20)), ..none },
        8 => Misbehaviour { flood: every, ..none },
        9 => Misbehaviour { endless: every, ..none },
        _ => none,
    }
}

/// A frame of the outstation's that nobody asked for: any function of the link layer, any request or response of the application layer, with objects as if
/// the master were the device.
fn uncalled_for(rng: &mut Pcg64Mcg) -> Vec<u8> {
    let control =
        *[0x40, 0x49, 0x72, 0x53, 0x47, 0x44, 0x44, 0x44, 0x00, 0x0B].get(rng.random_range(0..10)).unwrap();
    let function = *[rng.random(), rng.random_range(0..32), 129, 130].get(rng.random_range(0..4)).unwrap();
    let mut user_data = vec![0xC0, 0xC0 | rng.random_range(0..64), function];
    user_data.extend((0..rng.random_range(0..12)).map(|_| rng.random::<u8>()));
    if control & 7 != 3 && control & 7 != 4 {
        user_data.clear();
    }
    let mut bytes = vec![];
    let header = Header { control: Control::from_byte(control), source: OUTSTATION, destination: MASTER };
    link::encode(header, &user_data, &mut bytes);
    bytes
}

/// Something happens to the device or on the way.
fn happens(wire: &mut Wire, rng: &mut Pcg64Mcg) {
    let now = wire.now();
    match rng.random_range(0..12) {
        0 => {
            let how = if rng.random() { Restart::KeepEvents } else { Restart::LoseEvents };
            wire.session().restart(how);
            wire.cut();
        }
        1 => wire.cut(),
        2 => wire.session().need_time(),
        3 => wire.session().set_clock_offset(rng.random_range(-100_000..100_000)),
        4 => wire.session().set_condition(Indications::from_bytes(rng.random())),
        5 => wire.session().set_condition(Indications::NONE),
        6 => wire.one_lost_of = rng.random_range(0..4),
        7 => {
            let bytes = uncalled_for(rng);
            if wire.connected {
                wire.inject(false, &bytes);
            }
        }
        _ => {
            let many = if rng.random_range(0..10) == 0 { 2 * EVENTS } else { rng.random_range(1..8) };
            for _ in 0..many {
                let (index, value) = (rng.random_range(0..POINTS), Value::Analog(rng.random()));
                wire.session().update(Kind::Analog, index, value, Flags::ONLINE, now).unwrap();
            }
        }
    }
}

/// What the master said in some hours.
fn hours(seed: u64, time_sync: TimeSync, reports: bool, wanted: bool, hours: u64) -> Wire {
    let mut rng = Pcg64Mcg::seed_from_u64(seed);
    let association = AssociationConfig {
        integrity_period: Duration::from_secs(900),
        unsolicited: if wanted { Classes::EVENTS } else { Classes::default() },
        time_sync,
        ..AssociationConfig::new(OUTSTATION, Duration::from_secs(if wanted { 60 } else { 10 }))
    };
    let mut wire = Wire::new(device(&mut rng, reports), association);
    wire.connection = u16::try_from(seed * 4_000).unwrap();
    while wire.millis < hours * HOUR {
        let (what, now) = (misbehaviour(&mut rng), wire.now());
        wire.station.misbehave(OUTSTATION, what, now);
        let until = wire.millis + rng.random_range(20_000..200_000);
        while wire.millis < until {
            happens(&mut wire, &mut rng);
            wire.run(rng.random_range(100..40_000));
            wire.sent.retain(|sent| sent.from_master);
        }
    }
    wire
}

#[test]
fn nothing_that_our_master_says_in_a_day_operates_anything() {
    let mut sent = vec![];
    let (mut failures, mut connections) = (0, 0);
    let days = [
        (TimeSync::Lan, true, true),
        (TimeSync::NonLan, true, false),
        (TimeSync::Lan, false, true),
        (TimeSync::Never, true, true),
    ];
    for (seed, (time_sync, reports, wanted)) in (0_u16..).zip(days) {
        let mut wire = hours(seed.into(), time_sync, reports, wanted, 6);
        failures +=
            wire.keeper.notes.iter().filter(|n| matches!(n, dnp3::master::Note::Failed { .. })).count();
        connections += wire.connection - seed * 4_000;
        sent.append(&mut wire.sent);
    }
    let fields = [
        "dnp3.ctl.dir",
        "dnp3.src",
        "dnp3.dst",
        "dnp3.ctl.prifunc",
        "dnp3.ctl.secfunc",
        "dnp3.al.func",
        "dnp3.al.index",
        "dnp3.al.point_index",
        "dnp3.al.fir",
        "dnp3.al.fin",
    ];
    let packets = dissect(&sent, &fields);
    let mut objects: BTreeMap<u64, BTreeSet<u64>> = BTreeMap::new();
    let (mut primary, mut secondary) = (BTreeSet::new(), BTreeSet::new());
    let mut counts: BTreeMap<u64, u32> = BTreeMap::new();
    for (frame, packet) in &packets {
        let of = |field: &'static str| packet.whole(field);
        assert_eq!((of("dnp3.ctl.dir"), of("dnp3.src"), of("dnp3.dst")), (vec![1], vec![1], vec![10]));
        primary.extend(of("dnp3.ctl.prifunc"));
        secondary.extend(of("dnp3.ctl.secfunc"));
        let functions = of("dnp3.al.func");
        // a fragment for each frame with user data, and it was read
        assert_eq!(functions.len(), usize::from(frame.bytes.len() > 10));
        for function in functions {
            assert_eq!((of("dnp3.al.fir"), of("dnp3.al.fin")), (vec![1], vec![1]));
            *counts.entry(function).or_default() += 1;
            objects.entry(function).or_default().extend(of("dnp3.al.obj"));
            if function == 2 && of("dnp3.al.obj") == [0x5001] {
                assert_eq!(of("dnp3.al.point_index"), [7], "only the restart indication is written");
            }
        }
    }
    println!(
        "{} frames in {connections} connections, {failures} failures; by function {counts:?}",
        packets.len()
    );
    // Table 4-2. There is no 3 to 6 (select, operate), 7 to 12 (freeze), 13 to 19 (restart and the like), 22 (assign class), 25 to 33.
    let permitted: [(u64, &[u64]); 7] = [
        (0, &[]),
        (1, &[0x00FE, 0x3201, 0x3C01, 0x3C02, 0x3C03, 0x3C04]),
        (2, &[0x3201, 0x3203, 0x5001]),
        (20, &[0x3C02, 0x3C03, 0x3C04]),
        (21, &[0x3C02, 0x3C03, 0x3C04]),
        (23, &[]),
        (24, &[]),
    ];
    let permitted = permitted.map(|(function, objects)| (function, objects.iter().copied().collect()));
    assert_eq!(objects, BTreeMap::from(permitted));
    // Tables 9-1 and 9-2: unconfirmed user data and requests for link status; and what a secondary station answers.
    assert_eq!(primary, BTreeSet::from([4, 9]));
    assert_eq!(secondary, BTreeSet::from([0, 11, 15]));
    assert!(packets.len() > 5_000 && failures > 500 && connections > 100);
}
