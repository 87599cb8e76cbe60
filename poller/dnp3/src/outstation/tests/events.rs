//! Events: when they are made, how they are read, what becomes of them.

use super::*;
use crate::objects::Time;

/// opendnp3, TestOutstationEventResponses; references.md 8.2.
#[test]
fn an_event_comes_again_until_it_is_confirmed() {
    let mut device = Device::new(points(Kind::Binary, 1));
    assert_eq!(device.hears("C5 01 3C 02 06"), ["C5 81 80 00"]);
    device.binary(0, true);
    assert_eq!(device.hears("C0 01 3C 02 06"), ["E0 81 80 00 02 01 28 01 00 00 00 81"]);
    // asked again instead
    assert_eq!(device.hears("C1 01 3C 02 06"), ["E1 81 80 00 02 01 28 01 00 00 00 81"]);
    // repeated by the master
    assert_eq!(device.hears("C1 01 3C 02 06"), ["E1 81 80 00 02 01 28 01 00 00 00 81"]);
    // the wrong number, too late, and at last
    assert_eq!(device.hears("C0 00"), [""; 0]);
    assert_eq!(device.after(10_000), [""; 0]);
    assert_eq!(device.hears("C1 00"), [""; 0]);
    assert_eq!(device.hears("C2 01"), ["C2 81 82 00"]);
    assert_eq!(device.hears("C3 01 3C 02 06"), ["E3 81 80 00 02 01 28 01 00 00 00 81"]);
    assert_eq!(device.hears("C3 00"), [""; 0]);
    assert_eq!(device.hears("C4 01 3C 02 06"), ["C4 81 80 00"]);
}

/// opendnp3, TestOutstationEventResponses.
#[test]
fn events_come_in_the_order_in_which_they_happened() {
    let mut database = points(Kind::Analog, 0x18);
    database.add(Kind::Binary, 0x10, plain(Kind::Binary)).unwrap();
    let mut device = Device::new(database);
    device.analog(0x17, f64::from(0x1234));
    device.binary(0x10, true);
    device.analog(0x17, f64::from(0x2222));
    assert_eq!(
        device.hears("C0 01 3C 02 06"),
        [
            "E0 81 80 00 20 01 28 01 00 17 00 01 34 12 00 00 02 01 28 01 00 10 00 81 20 01 28 01 00 17 00 01 22 22 00 00"
        ]
    );
}

/// opendnp3, TestOutstationEventResponses.
#[test]
fn when_there_is_no_room_the_oldest_is_lost_and_that_is_told_until_there_is_room() {
    let mut database = Database::new(2);
    (0..3).for_each(|index| database.add(Kind::Binary, index, plain(Kind::Binary)).unwrap());
    let mut device = Device::new(database);
    (0..3).for_each(|index| device.binary(index, true));
    assert_eq!(device.hears("C0 01"), ["C0 81 82 08"]);
    assert_eq!(device.hears("C1 01 3C 02 07 01"), ["E1 81 82 08 02 01 28 01 00 01 00 81"]);
    assert_eq!(device.hears("C1 00"), [""; 0]);
    assert_eq!(device.hears("C0 01"), ["C0 81 82 00"]);
}

#[test]
fn one_that_is_under_way_can_be_lost_too() {
    let mut database = Database::new(1);
    (0..2).for_each(|index| database.add(Kind::Binary, index, plain(Kind::Binary)).unwrap());
    let mut device = Device::new(database);
    device.binary(0, true);
    assert_eq!(device.hears("C0 01 3C 02 06").len(), 1);
    device.binary(1, true);
    assert_eq!(device.hears("C0 00"), [""; 0]);
    assert_eq!(device.hears("C1 01 3C 02 06"), ["E1 81 80 08 02 01 28 01 00 01 00 81"]);
    assert_eq!(device.hears("C1 00"), [""; 0]);
    assert_eq!(device.hears("C2 01"), ["C2 81 80 00"]);
}

/// opendnp3, TestOutstationEventResponses.
#[test]
fn each_class_is_told_of_until_it_is_read() {
    let mut database = Database::new(10);
    database.add(Kind::Binary, 0, plain(Kind::Binary).class(Class::One)).unwrap();
    database.add(Kind::Analog, 0, plain(Kind::Analog).class(Class::Two)).unwrap();
    database.add(Kind::Counter, 0, plain(Kind::Counter).class(Class::Three)).unwrap();
    let mut device = Device::new(database);
    device.binary(0, true);
    device.analog(0, 3.0);
    device.set(Kind::Counter, 0, Value::Counter(7));
    assert_eq!(device.hears("C0 01"), ["C0 81 8E 00"]);
    assert_eq!(device.hears("C1 01 3C 03 06"), ["E1 81 8A 00 20 01 28 01 00 00 00 01 03 00 00 00"]);
    device.hears("C1 00");
    assert_eq!(device.hears("C2 01 3C 04 06"), ["E2 81 82 00 16 01 28 01 00 00 00 01 07 00 00 00"]);
    device.hears("C2 00");
    assert_eq!(device.hears("C3 01 3C 02 06"), ["E3 81 80 00 02 01 28 01 00 00 00 81"]);
    device.hears("C3 00");
    assert_eq!(device.hears("C4 01"), ["C4 81 80 00"]);
}

/// opendnp3, TestOutstationEventResponses.
#[test]
fn so_many_events_are_the_oldest_so_many() {
    for (request, response) in [
        ("3C 02 07 01", "82 00 02 01 28 01 00 03 00 01"),
        ("3C 02 08 02 00", "82 00 02 01 28 02 00 03 00 01 02 00 81"),
        ("02 01 07 02", "82 00 02 01 28 02 00 03 00 01 02 00 81"),
        ("02 00 06", "80 00 02 01 28 03 00 03 00 01 02 00 81 01 00 01"),
    ] {
        let mut device = Device::new(points(Kind::Binary, 5));
        device.binary(3, false);
        device.binary(2, true);
        device.binary(1, false);
        assert_eq!(device.hears(&format!("C0 01 {request}")), [format!("E0 81 {response}")], "{request}");
    }
}

/// opendnp3, TestOutstationEventResponses.
#[test]
fn two_classes_of_one_form_share_a_header() {
    let class = |class| plain(Kind::Binary).class(class);
    let all = [(0, class(Class::One)), (1, class(Class::Two)), (2, class(Class::Three))];
    let mut device = Device::new(configured(Kind::Binary, &all));
    device.binary(0, false);
    for index in [1, 2] {
        device.binary(index, true);
        device.binary(index, false);
    }
    assert_eq!(
        device.hears("C0 01 3C 03 07 01 3C 04 07 01"),
        ["E0 81 8E 00 02 01 28 02 00 01 00 81 02 00 81"]
    );
}

fn happened(device: &mut Device, kind: Kind, index: u16, value: Value<'_>, millis: u64, synchronised: bool) {
    let time = Time { at: Timestamp::from_millis(millis), synchronised: Some(synchronised) };
    assert_eq!(device.session.database_mut().update(kind, index, value, Flags::ONLINE, time), Ok(true));
}

/// opendnp3, TestOutstationEventResponses.
#[test]
fn times_of_every_form() {
    let mut device = Device::new(points(Kind::Counter, 1));
    happened(&mut device, Kind::Counter, 0, Value::Counter(23), 1_512_595_515_000, true);
    assert_eq!(
        device.hears("C0 01 16 05 06"),
        ["E0 81 80 00 16 05 28 01 00 00 00 01 17 00 00 00 78 E6 B7 2D 60 01"]
    );
    assert_eq!(
        device.hears("C1 01 16 06 06"),
        ["E1 81 80 00 16 06 28 01 00 00 00 01 17 00 78 E6 B7 2D 60 01"]
    );
    let mut device = Device::new(points(Kind::Analog, 1));
    happened(&mut device, Kind::Analog, 0, Value::Analog(0.0), 0x0102_0304_0506, true);
    assert_eq!(
        device.hears("C0 01 20 07 06"),
        ["E0 81 80 00 20 07 28 01 00 00 00 01 00 00 00 00 06 05 04 03 02 01"]
    );
    assert_eq!(device.hears("C1 01 20 05 06"), ["E1 81 80 00 20 05 28 01 00 00 00 01 00 00 00 00"]);
}

/// opendnp3, TestOutstationEventResponses; the last one, of a clock that was never set, by hand.
#[test]
fn relative_times_come_behind_the_time_they_count_from() {
    for (times, response) in [
        (
            [(0x4571, true), (0x4579, true)],
            "33 01 07 01 71 45 00 00 00 00 02 03 28 02 00 03 00 01 00 00 04 00 81 08 00",
        ),
        (
            [(0x4571, true), (0x4570, true)],
            "33 01 07 01 71 45 00 00 00 00 02 03 28 01 00 03 00 01 00 00 33 01 07 01 70 45 00 00 00 00 02 03 28 01 00 04 00 81 00 00",
        ),
        (
            [(0, true), (0x1_0000, true)],
            "33 01 07 01 00 00 00 00 00 00 02 03 28 01 00 03 00 01 00 00 33 01 07 01 00 00 01 00 00 00 02 03 28 01 00 04 00 81 00 00",
        ),
        (
            [(0x4571, false), (0x4579, true)],
            "33 02 07 01 71 45 00 00 00 00 02 03 28 01 00 03 00 01 00 00 33 01 07 01 79 45 00 00 00 00 02 03 28 01 00 04 00 81 00 00",
        ),
    ] {
        let mut device = Device::new(points(Kind::Binary, 5));
        happened(&mut device, Kind::Binary, 3, Value::Binary(false), times[0].0, times[0].1);
        happened(&mut device, Kind::Binary, 4, Value::Binary(true), times[1].0, times[1].1);
        assert_eq!(device.hears("C0 01 02 03 06"), [format!("E0 81 80 00 {response}")]);
    }
}

/// opendnp3, TestOutstationEventResponses.
#[test]
fn octet_strings_of_one_length_share_a_header() {
    let mut device = Device::new(points(Kind::Octets, 5));
    device.set(Kind::Octets, 2, Value::Octets(&[0xCA, 0xFE]));
    device.set(Kind::Octets, 1, Value::Octets(&[0xCA, 0xFE]));
    assert_eq!(device.hears("C0 01 3C 02 06"), ["E0 81 80 00 6F 02 28 02 00 02 00 CA FE 01 00 CA FE"]);
    let mut device = Device::new(points(Kind::Octets, 5));
    device.set(Kind::Octets, 0, Value::Octets(&[0xCA, 0xFE]));
    device.set(Kind::Octets, 0, Value::Octets(&[0xCA, 0xFE, 0xBA, 0xBE]));
    assert_eq!(
        device.hears("C0 01 3C 02 06"),
        ["E0 81 80 00 6F 02 28 01 00 00 00 CA FE 6F 04 28 01 00 00 00 CA FE BA BE"]
    );
}

#[test]
fn a_change_within_the_deadband_is_no_event_however_often_it_comes() {
    let config = plain(Kind::Analog).deadband(2.0);
    let mut device =
        Device::new(configured(Kind::Analog, &[(0, config), (1, PointConfig::of(Kind::Analog))]));
    let mut made = |index, value, flags| {
        device.session.update(Kind::Analog, index, Value::Analog(value), flags, at(0)).unwrap()
    };
    assert!(made(0, 0.0, Flags::ONLINE), "it comes on line");
    assert!(!made(0, 1.5, Flags::ONLINE));
    assert!(!made(0, 2.0, Flags::ONLINE));
    assert!(made(0, 2.5, Flags::ONLINE), "beyond the deadband from the last event, not from the last value");
    assert!(!made(0, 2.5, Flags::ONLINE));
    assert!(made(0, 2.5, Flags(0x05)), "the flags changed");
    assert!(made(0, f64::NAN, Flags(0x05)));
    assert!(!made(0, f64::NAN, Flags(0x05)));
    assert!(!made(1, 99.0, Flags::ONLINE), "it has no class");
}

#[test]
fn a_counter_that_passes_its_end_has_gone_one_step() {
    let mut device = Device::new(configured(Kind::Counter, &[(0, plain(Kind::Counter).deadband(1.0))]));
    device.set(Kind::Counter, 0, Value::Counter(u32::MAX));
    let mut made =
        |n| device.session.update(Kind::Counter, 0, Value::Counter(n), Flags::ONLINE, at(0)).unwrap();
    assert!(!made(0));
    assert!(made(1));
}

#[test]
fn what_does_not_fit_a_point_is_refused() {
    let mut database = points(Kind::Binary, 1);
    let time = Time { at: Timestamp::from_millis(0), synchronised: None };
    let mut update = |index, value| database.update(Kind::Binary, index, value, Flags::ONLINE, time);
    assert_eq!(update(1, Value::Binary(true)), Err(PointError::Missing(Kind::Binary, 1)));
    assert_eq!(update(0, Value::Analog(1.0)), Err(PointError::WrongValue(Kind::Binary, 0)));
    assert_eq!(database.add(Kind::Binary, 0, plain(Kind::Binary)), Err(PointError::Twice(Kind::Binary, 0)));
    let odd = PointConfig::of(Kind::Binary).variations(2, 9);
    assert_eq!(database.add(Kind::Binary, 1, odd), Err(PointError::WrongVariation(Kind::Binary, 9)));
}

#[test]
fn a_long_answer_of_events_is_confirmed_fragment_by_fragment() {
    let mut device = Device::of(SessionConfig { max_fragment: 20, ..config() }, points(Kind::Analog, 3));
    (0..3).for_each(|index| device.analog(index, 7.0));
    let event = |control: &str, indications: &str, index: &str| {
        format!("{control} 81 {indications} 00 20 01 28 01 00 {index} 00 01 07 00 00 00")
    };
    assert_eq!(device.hears("C0 01 3C 02 06"), [event("A0", "82", "00")]);
    // what happens from now on is for the next request
    device.analog(0, 9.0);
    assert_eq!(device.hears("C0 00"), [event("21", "82", "01")]);
    assert_eq!(device.session.database().waiting_events(), 3);
    assert_eq!(device.hears("C1 00"), [event("62", "82", "02")]);
    assert_eq!(device.hears("C2 00"), [""; 0]);
    assert_eq!(device.session.database().waiting_events(), 1);
}
