//! What is answered to READ.

use super::*;
use crate::objects::attribute::variation::{MANUFACTURER, MODEL, SERIAL_NUMBER};

/// opendnp3, TestOutstation.
#[test]
fn present_values_by_class_and_by_range() {
    let mut device = Device::new(points(Kind::Binary, 1));
    assert_eq!(device.hears("C0 01 3C 01 06"), ["C0 81 80 00 01 02 00 00 00 02"]);
    assert_eq!(Device::new(Database::new(0)).hears("C0 01 3C 01 06"), ["C0 81 80 00"]);

    let mut device = Device::new(points(Kind::Analog, 7));
    device.analog(5, 42.0);
    device.analog(6, 41.0);
    device.session.database.events.clear();
    assert_eq!(device.hears("C2 01 1E 02 00 05 06"), ["C2 81 80 00 1E 02 00 05 06 01 2A 00 01 29 00"]);

    let mut device = Device::new(configured(Kind::Counter, &[(0, PointConfig::of(Kind::Counter))]));
    device.set(Kind::Counter, 0, Value::Counter(5));
    assert_eq!(device.hears("C0 01 3C 01 06"), ["C0 81 80 00 14 01 00 00 00 01 05 00 00 00"]);

    let mut device = Device::new(configured(Kind::Analog, &[(0, PointConfig::of(Kind::Analog))]));
    device.analog(0, 95.6);
    assert_eq!(device.hears("C0 01 3C 01 06"), ["C0 81 80 00 1E 05 00 00 00 01 33 33 BF 42"]);
}

/// opendnp3, TestOutstation: each point in its own variation.
#[test]
fn points_of_different_variations_have_different_headers() {
    let point = |variation| PointConfig::of(Kind::Analog).variations(variation, 1);
    let mut device = Device::new(configured(Kind::Analog, &[(0, point(1)), (1, point(2))]));
    assert_eq!(
        device.hears("C0 01 3C 01 06"),
        ["C0 81 80 00 1E 01 00 00 00 02 00 00 00 00 1E 02 00 01 01 02 00 00"]
    );
}

/// opendnp3, TestOutstation: a string that was never set is one zero byte.
#[test]
fn octet_strings_are_as_long_as_they_are() {
    let mut device = Device::new(points(Kind::Octets, 3));
    assert_eq!(device.hears("C0 01 3C 01 06"), ["C0 81 80 00 6E 01 00 00 02 00 00 00"]);
    assert_eq!(device.hears("C1 01 6E 00 06"), ["C1 81 80 00 6E 01 00 00 02 00 00 00"]);
    device.set(Kind::Octets, 1, Value::Octets(b"hi"));
    device.session.database.events.clear();
    assert_eq!(
        device.hears("C2 01 6E 00 06"),
        ["C2 81 80 00 6E 01 00 00 00 00 6E 02 00 01 01 68 69 6E 01 00 02 02 00"]
    );
}

/// opendnp3, TestOutstation.
#[test]
fn each_variation_that_is_asked_for() {
    for (kind, request, response) in [
        (Kind::Binary, "01 00 06", "01 02 00 00 00 02"),
        (Kind::BinaryOutput, "0A 00 06", "0A 02 00 00 00 02"),
        (Kind::Counter, "14 05 06", "14 05 00 00 00 00 00 00 00"),
        (Kind::Analog, "1E 00 06", "1E 01 00 00 00 02 00 00 00 00"),
        (Kind::Analog, "1E 03 06", "1E 03 00 00 00 00 00 00 00"),
        (Kind::AnalogOutput, "28 00 06", "28 01 00 00 00 02 00 00 00 00"),
    ] {
        let mut device = Device::new(points(kind, 1));
        assert_eq!(device.hears(&format!("C0 01 {request}")), [format!("C0 81 80 00 {response}")]);
    }
}

/// opendnp3, TestOutstation; references.md 8.2.
#[test]
fn analogs_too_large_for_sixteen_bits_are_cut_and_marked() {
    for (value, response) in [(32_768.0, "21 FF 7F"), (-32_769.0, "21 00 80"), (32_767.0, "01 FF 7F")] {
        let config = PointConfig::of(Kind::Analog).variations(2, 2);
        let mut device = Device::new(configured(Kind::Analog, &[(0, config)]));
        device.analog(0, value);
        assert_eq!(device.hears("C0 01 3C 01 06"), [format!("C0 81 80 00 1E 02 00 00 00 {response}")]);
    }
}

/// opendnp3, TestOutstationDiscontiguousIndices.
#[test]
fn gaps_between_indices_are_stepped_over_and_told_of_when_asked_for() {
    for (request, response) in [
        ("3C 01 06", "80 00 01 02 00 02 02 81 01 02 00 04 05 01 02"),
        ("01 02 00 00 01", "80 04"),
        ("01 02 00 06 09", "80 04"),
        ("01 02 00 02 02", "80 00 01 02 00 02 02 81"),
        ("01 02 00 04 05", "80 00 01 02 00 04 05 01 02"),
        ("01 02 00 05 06", "80 04 01 02 00 05 05 02"),
        ("01 02 00 02 02 01 02 00 04 05", "80 00 01 02 00 02 02 81 01 02 00 04 05 01 02"),
        ("01 02 00 02 03 01 02 00 04 05", "80 04 01 02 00 02 02 81 01 02 00 04 05 01 02"),
        ("01 02 00 02 05", "80 04 01 02 00 02 02 81 01 02 00 04 05 01 02"),
    ] {
        let all = [2, 4, 5].map(|index| (index, PointConfig::of(Kind::Binary)));
        let mut device = Device::new(configured(Kind::Binary, &all));
        device.binary(2, true);
        device.binary(4, false);
        assert_eq!(device.hears(&format!("C0 01 {request}")), [format!("C0 81 {response}")], "{request}");
    }
}

#[test]
fn indices_above_255_take_two_bytes() {
    let all = [254, 255, 256, 257].map(|index| (index, PointConfig::of(Kind::Binary)));
    let mut device = Device::new(configured(Kind::Binary, &all));
    assert_eq!(
        device.hears("C0 01 3C 01 06"),
        ["C0 81 80 00 01 02 00 FE FF 02 02 01 02 01 00 01 01 01 02 02"]
    );
    assert_eq!(device.hears("C1 01 01 02 01 00 01 01 01"), ["C1 81 80 00 01 02 01 00 01 01 01 02 02"]);
}

#[test]
fn packed_states_go_without_flags_only_while_they_are_simply_on_line() {
    let mut device = Device::new(points(Kind::Binary, 11));
    for index in 0..11 {
        device.binary(index, index % 2 == 0);
    }
    device.session.database.events.clear();
    assert_eq!(device.hears("C0 01 01 01 06"), ["C0 81 80 00 01 01 00 00 0A 55 05"]);
    device.session.update(Kind::Binary, 9, Value::Binary(true), Flags(0x05), at(0)).unwrap();
    device.session.database.events.clear();
    assert_eq!(
        device.hears("C1 01 01 01 06"),
        ["C1 81 80 00 01 01 00 00 08 55 01 01 02 00 09 09 85 01 01 00 0A 0A 01"]
    );
}

#[test]
fn so_many_are_the_first_so_many() {
    let mut device = Device::new(points(Kind::Binary, 3));
    assert_eq!(device.hears("C0 01 01 02 07 02"), ["C0 81 80 00 01 02 00 00 01 02 02"]);
    assert_eq!(device.hears("C1 01 01 02 08 04 00"), ["C1 81 80 04 01 02 00 00 02 02 02 02"]);
}

#[test]
fn what_is_asked_for_together_is_answered_in_that_order() {
    let mut database = points(Kind::Binary, 1);
    database.add(Kind::Counter, 0, plain(Kind::Counter)).unwrap();
    let mut device = Device::new(database);
    device.binary(0, true);
    assert_eq!(
        device.hears("C0 01 14 01 06 32 01 07 01 3C 02 06 01 02 00 00 00"),
        [
            "E0 81 80 00 14 01 00 00 00 02 00 00 00 00 32 01 07 01 88 6E D0 92 4A 01 02 01 28 01 00 00 00 81 01 02 00 00 00 81"
        ]
    );
}

#[test]
fn the_clock_is_its_own() {
    let mut device = Device::of(SessionConfig { clock_offset_ms: 256, ..config() }, Database::new(0));
    assert_eq!(device.hears("C0 01 32 01 07 01"), ["C0 81 80 00 32 01 07 01 88 6F D0 92 4A 01"]);
    device.session.set_clock_offset(-256);
    assert_eq!(device.hears("C1 01 32 01 06"), ["C1 81 80 00 32 01 07 01 88 6D D0 92 4A 01"]);
}

#[test]
fn attributes_one_by_one_and_all_together() {
    let mut database = Database::new(0);
    database.set_attribute(MANUFACTURER, "Maker");
    database.set_attribute(SERIAL_NUMBER, "7");
    database.set_attribute(MODEL, "M");
    database.set_attribute(MODEL, "M2");
    let mut device = Device::new(database);
    assert_eq!(device.hears("C0 01 00 FC 00 00 00"), ["C0 81 80 00 00 FC 00 00 00 01 05 4D 61 6B 65 72"]);
    assert_eq!(
        device.hears("C9 01 00 FE 00 00 00"),
        [
            "C9 81 80 00 00 F8 00 00 00 01 01 37 00 FA 00 00 00 01 02 4D 32 00 FC 00 00 00 01 05 4D 61 6B 65 72"
        ]
    );
    assert_eq!(device.hears("C1 01 00 F2 00 00 00"), ["C1 81 80 02"]);
    assert_eq!(device.hears("C2 01 00 FE 00 01 01"), ["C2 81 80 02"]);
}

/// opendnp3, TestOutstation, for `00 00 06`; the others are those of references.md 8.2 and by hand.
#[test]
fn what_makes_no_sense_is_refused_and_what_came_before_is_answered() {
    for (request, response) in [
        ("00 00 06", "80 02"),
        ("FE 01 06", "80 02"),
        ("1E 09 06", "80 02"),
        ("34 02 07 01", "80 02"),
        ("14 00 06", "80 02"),
        ("16 00 06", "80 02"),
        ("01 02 00 05 03", "80 04"),
        ("01 02 07 00", "80 04"),
        ("02 02 AB", "80 04"),
        ("02 02 00 00 01", "80 04"),
        ("02 00 00 00 01", "80 04"),
        ("3C 01 07 01", "80 04"),
        ("32 01 00 00 00", "80 04"),
        ("01 02 17 01 00", "80 04"),
        ("01", "80 04"),
        ("01 02 06 FE 01 06", "80 02 01 02 00 00 00 02"),
    ] {
        let mut device = Device::new(points(Kind::Binary, 1));
        assert_eq!(device.hears(&format!("C0 01 {request}")), [format!("C0 81 {response}")], "{request}");
    }
}

/// opendnp3, TestOutstation.
#[test]
fn a_long_answer_comes_fragment_by_fragment_each_after_the_confirmation_of_the_one_before() {
    let short = SessionConfig { max_fragment: 20, ..config() };
    let mut device = Device::of(short, points(Kind::Analog, 8));
    (0..8).for_each(|index| device.analog(index, 0.0));
    device.session.database.events.clear();
    let two = |control: &str, indices: &str| {
        format!("{control} 81 80 00 1E 01 00 {indices} 01 00 00 00 00 01 00 00 00 00")
    };
    assert_eq!(device.hears("C0 01 3C 01 06"), [two("A0", "00 01")]);
    assert_eq!(device.hears("C0 00"), [two("21", "02 03")]);
    // neither an old confirmation nor one of a report
    assert_eq!(device.hears("C0 00"), [""; 0]);
    assert_eq!(device.hears("D1 00"), [""; 0]);
    assert_eq!(device.hears("C1 00"), [two("22", "04 05")]);
    assert_eq!(device.hears("C2 00"), [two("43", "06 07")]);
    assert_eq!(device.hears("C3 00"), [""; 0]);
}

#[test]
fn a_value_longer_than_a_fragment_goes_out_alone() {
    let mut device = Device::of(SessionConfig { max_fragment: 20, ..config() }, points(Kind::Octets, 2));
    device.set(Kind::Octets, 0, Value::Octets(&[0x41; 300]));
    device.session.database.events.clear();
    let first = device.hears("C0 01 3C 01 06");
    assert_eq!(first.len(), 1);
    assert_eq!(hex(&first[0]).len(), 4 + 5 + 255);
    assert_eq!(device.hears("C0 00"), ["41 81 80 00 6E 01 00 01 01 00"]);
}

#[test]
fn an_answer_that_nobody_confirms_is_given_up() {
    let mut device = Device::of(SessionConfig { max_fragment: 20, ..config() }, points(Kind::Analog, 8));
    assert_eq!(device.hears("C0 01 3C 01 06").len(), 1);
    assert_eq!(device.session.next_deadline(), Some(Duration::from_secs(10)));
    assert_eq!(device.after(10_000), [""; 0]);
    assert_eq!(device.hears("C0 00"), [""; 0]);
    assert_eq!(device.session.next_deadline(), None);
}
