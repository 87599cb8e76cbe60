//! Every request but READ.

use super::*;
use crate::application::Indications;

fn device() -> Device {
    Device::new(points(Kind::Binary, 1))
}

/// opendnp3, TestOutstation; an unknown object in a WRITE by hand.
#[test]
fn only_the_time_and_the_restart_indication_can_be_written() {
    for (request, response) in [
        ("C0 02 50 01 00 07 07 00", "C0 81 00 00"),
        ("C0 02 50 01 00 07 07 01", "C0 81 80 04"),
        ("C0 02 50 01 00 04 04 01", "C0 81 80 04"),
        ("C0 02 50 01 00 06 07 00", "C0 81 80 04"),
        ("C1 02 32 01 07 01 D2 04 00 00 00 00", "C1 81 80 00"),
        ("C0 02 32 01 07 02 D2 04 00 00 00 00 D2 04 00 00 00 00", "C0 81 80 04"),
        ("C1 02 32 03 07 01 D2 04 00 00 00 00", "C1 81 80 04"),
        ("C0 02 01 02 00 07 07 00", "C0 81 80 04"),
        ("C0 02 FE 01 00 07 07 00", "C0 81 80 02"),
        ("C0 02 32 01 07 01 D2 04", "C0 81 80 04"),
        ("C0 02", "C0 81 80 00"),
    ] {
        assert_eq!(device().hears(request), [response], "{request}");
    }
}

#[test]
fn a_write_is_obeyed_wholly_or_not_at_all() {
    let mut device = device();
    assert_eq!(
        device.hears("C0 02 50 01 00 07 07 00 32 01 07 01 D2 04 00 00 00 00 50 01 00 07 07 01"),
        ["C0 81 80 04"]
    );
    assert_eq!(device.session.clock(at(0)).millis(), THEN);
}

/// opendnp3, TestOutstation.
#[test]
fn the_clock_is_set_at_once_or_by_what_was_recorded() {
    let needy = || Device::of(SessionConfig { need_time: true, ..config() }, Database::new(0));
    let mut device = needy();
    assert_eq!(device.hears("C0 01"), ["C0 81 90 00"]);
    assert_eq!(device.hears("C1 02 32 01 07 01 D2 04 00 00 00 00"), ["C1 81 80 00"]);
    assert_eq!(device.session.clock(at(16)).millis(), 1250);

    let mut device = needy();
    assert_eq!(device.hears("C0 18"), ["C0 81 90 00"]);
    device.after(20);
    assert_eq!(device.hears("C1 02 32 03 07 01 D2 04 00 00 00 00"), ["C1 81 80 00"]);
    assert_eq!(device.session.clock(at(20)).millis(), 1254);

    let mut device = needy();
    assert_eq!(device.hears("C0 18"), ["C0 81 90 00"]);
    assert_eq!(device.hears("C2 02 32 03 07 01 D2 04 00 00 00 00"), ["C2 81 90 04"]);
    assert_eq!(device.session.clock(at(0)).millis(), THEN);
    assert_eq!(device.hears("C3 02 32 03 07 01 D2 04 00 00 00 00"), ["C3 81 90 04"], "it was recorded once");
}

/// opendnp3, TestOutstation.
#[test]
fn the_delay_is_measured_and_nothing_else_with_it() {
    assert_eq!(device().hears("C0 17"), ["C0 81 80 00 34 02 07 01 00 00"]);
    assert_eq!(device().hears("C0 17 DE AD BE EF"), ["C0 81 80 04"]);
}

/// opendnp3, TestOutstation, for 16 (initialize application), 13 (cold restart) and those without an answer; a control relay output block
/// and the others by hand.
#[test]
fn every_other_function_is_refused_and_changes_nothing() {
    for function in (3..=31_u8).filter(|f| ![6, 8, 10, 12, 20, 21, 23, 24].contains(f)) {
        let mut device = device();
        let before = format!("{:?}", device.session.database());
        assert_eq!(
            device.hears(&format!("C0 {function:02X} 0C 01 28 01 00 00 00 41 01 64 00 00 00 64 00 00 00 00")),
            ["C0 81 80 01"],
            "{function}"
        );
        assert_eq!(device.hears(&format!("C1 {function:02X}")), ["C1 81 80 01"]);
        assert_eq!(format!("{:?}", device.session.database()), before);
        assert_eq!(device.session.indications(), Indications::DEVICE_RESTART);
    }
    for function in ["06", "08", "0A", "0C"] {
        assert_eq!(device().hears(&format!("C0 {function}")), [""; 0]);
    }
    // opendnp3, TestOutstationUnsolicitedResponses: without the ability there is nothing to enable
    assert_eq!(device().hears("C0 14 3C 02 06"), ["C0 81 80 01"]);
}

#[test]
fn what_is_no_request_is_not_answered() {
    for fragment in [
        "",
        "C0",
        "40 01 3C 01 06",
        "80 01 3C 01 06",
        "D0 01 3C 01 06",
        "C0 81 00 00",
        "F0 82 00 00",
        "C0 00",
    ] {
        assert_eq!(device().hears(fragment), [""; 0], "{fragment}");
    }
}

#[test]
fn a_repeated_request_is_answered_as_before_and_obeyed_once() {
    let mut device = device();
    assert_eq!(device.hears("C1 02 32 01 07 01 D2 04 00 00 00 00"), ["C1 81 80 00"]);
    device.after(100);
    device.binary(0, true);
    assert_eq!(device.hears("C1 02 32 01 07 01 D2 04 00 00 00 00"), ["C1 81 80 00"]);
    assert_eq!(device.session.clock(at(100)).millis(), 1334, "it was not set again");
    // the same after another request, or on a new connection, is no repetition
    device.hears("C2 01");
    assert_eq!(device.hears("C1 02 32 01 07 01 D2 04 00 00 00 00"), ["C1 81 82 00"]);
    assert_eq!(device.session.clock(at(100)).millis(), 1234);
    device.session.disconnected();
    device.after(100);
    device.hears("C1 02 32 01 07 01 D2 04 00 00 00 00");
    assert_eq!(device.session.clock(at(200)).millis(), 1234);
}

#[test]
fn a_command_takes_the_place_of_an_answer_that_awaits_confirmation() {
    let mut device = device();
    device.binary(0, true);
    assert_eq!(device.hears("C0 01 3C 02 06").len(), 1);
    assert_eq!(device.hears("C1 17"), ["C1 81 82 00 34 02 07 01 00 00"]);
    assert_eq!(device.hears("C0 00"), [""; 0]);
    assert_eq!(device.session.database().waiting_events(), 1);
}

/// opendnp3, TestOutstationBroadcast.
#[test]
fn what_is_said_to_everybody_is_obeyed_and_told_of_until_that_is_confirmed() {
    let mut device = Device::new(Database::new(0));
    device.hears_with_everybody("C0 02 50 01 00 07 07 00", true);
    assert_eq!(device.hears("C2 18"), ["E2 81 01 00"]);
    assert_eq!(device.hears("C3 01 3C 01 06"), ["E3 81 01 00"]);
    assert_eq!(device.hears("C3 00"), [""; 0]);
    assert_eq!(device.hears("C4 01 3C 01 06"), ["C4 81 00 00"]);
}

/// opendnp3, TestOutstationBroadcast.
#[test]
fn what_is_said_to_everybody_is_told_of_once_where_nobody_confirms() {
    let mut device = Device::new(Database::new(0));
    device.hears_with_everybody("FF FF FF", false);
    assert_eq!(device.hears("C2 01 3C 01 06"), ["C2 81 81 00"]);
    assert_eq!(device.hears("C3 01 3C 01 06"), ["C3 81 80 00"]);
}

/// opendnp3, TestOutstationBroadcast.
#[test]
fn what_is_said_to_everybody_ends_the_wait_for_a_confirmation() {
    let mut device = device();
    device.binary(0, true);
    assert_eq!(device.hears("C0 01 3C 02 06").len(), 1);
    device.hears_with_everybody("C1 02 50 01 00 07 07 00", false);
    assert_eq!(device.hears("C0 00"), [""; 0]);
    assert_eq!(device.hears("C2 01 3C 01 06"), ["C2 81 03 00 01 02 00 00 00 81"]);
}

#[test]
fn a_restart_is_told_until_it_is_cleared_and_loses_events_only_where_it_does() {
    for (restart, indications) in [(Restart::KeepEvents, "82 00"), (Restart::LoseEvents, "80 00")] {
        let mut device = device();
        assert_eq!(device.hears("C0 02 50 01 00 07 07 00"), ["C0 81 00 00"]);
        device.binary(0, true);
        device.hears("C1 01 3C 02 06");
        device.session.set_clock_offset(5);
        device.session.restart(restart);
        assert_eq!(device.hears("C1 00"), [""; 0]);
        assert_eq!(device.hears("C0 01"), [format!("C0 81 {indications}")]);
        assert_eq!(device.session.clock(at(0)).millis(), THEN);
    }
}

#[test]
fn other_conditions_are_told_as_long_as_they_last() {
    let mut device = device();
    device.session.need_time();
    device.session.set_condition(Indications::DEVICE_TROUBLE.with(Indications::CONFIGURATION_CORRUPT));
    assert_eq!(device.hears("C0 01"), ["C0 81 D0 20"]);
    device.session.set_condition(Indications::NONE);
    assert_eq!(device.hears("C0 01"), ["C0 81 90 00"]);
}
