//! Reports that nobody asked for.

use super::*;

/// It reports at once.
fn eager() -> SessionConfig {
    let unsolicited = UnsolicitedConfig { hold: Duration::ZERO, ..UnsolicitedConfig::default() };
    SessionConfig { unsolicited: Some(unsolicited), ..config() }
}

/// One that has been greeted and allowed to report everything.
fn greeted(config: SessionConfig) -> Device {
    let mut device = Device::of(config, points(Kind::Binary, 5));
    assert_eq!(device.after(0), ["F0 82 80 00"]);
    assert_eq!(device.hears("D0 00"), [""; 0]);
    assert_eq!(device.hears("CF 14 3C 02 06 3C 03 06 3C 04 06"), ["CF 81 80 00"]);
    device
}

const BINARY_0_ON: &str = "F1 82 80 00 02 01 28 01 00 00 00 81";

/// opendnp3, TestOutstationUnsolicitedResponses.
#[test]
fn it_says_that_it_is_there_and_then_waits_for_leave() {
    let mut device = Device::of(eager(), points(Kind::Binary, 5));
    assert_eq!(device.after(0), ["F0 82 80 00"]);
    assert_eq!(device.hears("D0 00"), [""; 0]);
    device.binary(0, false);
    assert_eq!(device.after(0), [""; 0]);
    assert_eq!(device.hears("C0 14 3C 02 06"), ["C0 81 82 00", "F1 82 80 00 02 01 28 01 00 00 00 01"]);
    assert_eq!(device.hears("D1 00"), [""; 0]);
    assert_eq!(device.session.database().waiting_events(), 0);
    assert_eq!(device.session.next_deadline(), None);
}

#[test]
fn that_it_is_there_is_said_until_it_is_confirmed() {
    let mut device = Device::of(eager(), points(Kind::Binary, 5));
    assert_eq!(device.after(0), ["F0 82 80 00"]);
    for _ in 0..10 {
        assert_eq!(device.after(4_999), [""; 0]);
        assert_eq!(device.after(1), ["F0 82 80 00"]);
    }
    // no leave counts before
    assert_eq!(device.hears("C0 14 3C 02 06"), ["C0 81 80 00"]);
    device.binary(0, true);
    assert_eq!(device.after(0), [""; 0]);
    assert_eq!(device.hears("D0 00"), [BINARY_0_ON]);
}

/// opendnp3, TestOutstationUnsolicitedResponses.
#[test]
fn a_report_that_is_not_confirmed_comes_again_as_it_was() {
    let mut device = greeted(eager());
    device.binary(0, true);
    assert_eq!(device.after(0), [BINARY_0_ON]);
    device.binary(1, true);
    for _ in 0..3 {
        assert_eq!(device.after(5_000), [BINARY_0_ON]);
    }
    // given up for a minute, then begun anew with what there is
    assert_eq!(device.after(5_000), [""; 0]);
    assert_eq!(device.hears("D1 00"), [""; 0]);
    assert_eq!(device.after(59_999), [""; 0]);
    assert_eq!(device.after(1), ["F2 82 80 00 02 01 28 02 00 00 00 81 01 00 81"]);
}

#[test]
fn events_wait_for_others_but_not_for_long() {
    let unsolicited =
        UnsolicitedConfig { hold: Duration::from_secs(2), hold_count: 3, ..UnsolicitedConfig::default() };
    let mut device = greeted(SessionConfig { unsolicited: Some(unsolicited), ..config() });
    device.binary(0, true);
    assert_eq!(device.after(0), [""; 0]);
    assert_eq!(device.after(1_500), [""; 0]);
    assert_eq!(device.session.next_deadline(), Some(Duration::from_secs(2)));
    device.binary(1, true);
    assert_eq!(device.after(500), ["F1 82 80 00 02 01 28 02 00 00 00 81 01 00 81"]);
    // what happens meanwhile waits anew
    device.binary(2, true);
    device.after(100);
    assert_eq!(device.hears("D1 00"), [""; 0]);
    assert_eq!(device.session.next_deadline(), Some(Duration::from_millis(4_100)));
    device.binary(3, true);
    device.binary(4, true);
    assert_eq!(device.after(0), ["F2 82 80 00 02 01 28 03 00 02 00 81 03 00 81 04 00 81"]);
}

/// opendnp3, TestOutstationUnsolicitedResponses.
#[test]
fn more_than_fits_comes_in_several_reports() {
    let mut device = Device::of(SessionConfig { max_fragment: 20, ..eager() }, points(Kind::Analog, 5));
    device.after(0);
    device.hears("D0 00");
    device.hears("C0 14 3C 02 06");
    device.analog(1, 7.0);
    device.analog(3, 13.0);
    assert_eq!(device.after(0), ["F1 82 82 00 20 01 28 01 00 01 00 01 07 00 00 00"]);
    assert_eq!(device.hears("D1 00"), ["F2 82 80 00 20 01 28 01 00 03 00 01 0D 00 00 00"]);
    assert_eq!(device.hears("D2 00"), [""; 0]);
}

/// opendnp3, TestOutstationUnsolicitedResponses.
#[test]
fn an_overflow_is_told_in_reports_too() {
    let mut database = Database::new(2);
    database.add(Kind::Binary, 0, plain(Kind::Binary)).unwrap();
    let mut device = Device::of(eager(), database);
    device.after(0);
    device.hears("D0 00");
    device.hears("C0 14 3C 02 06");
    [true, false, true].into_iter().for_each(|on| device.binary(0, on));
    assert_eq!(device.after(0), ["F1 82 80 08 02 01 28 02 00 00 00 01 00 00 81"]);
    assert_eq!(device.hears("D1 00"), [""; 0]);
}

/// opendnp3, TestOutstationUnsolicitedResponses.
#[test]
fn a_command_is_answered_while_a_report_awaits_its_confirmation() {
    let mut device = greeted(eager());
    device.binary(0, true);
    assert_eq!(device.after(0), [BINARY_0_ON]);
    assert_eq!(device.hears("C0 02 50 01 00 07 07 00"), ["C0 81 00 00"]);
    assert_eq!(device.hears("C0 02 50 01 00 07 07 00"), ["C0 81 00 00"], "repeated");
    assert_eq!(device.hears("D1 00"), [""; 0]);
    assert_eq!(device.session.database().waiting_events(), 0);
}

/// opendnp3, TestOutstationUnsolicitedResponses.
#[test]
fn a_read_waits_for_the_confirmation_of_a_report() {
    let mut device = greeted(eager());
    device.binary(0, true);
    assert_eq!(device.after(0), [BINARY_0_ON]);
    assert_eq!(device.hears("C0 01 3C 02 06"), [""; 0]);
    assert_eq!(device.hears("D1 00"), ["C0 81 80 00"]);
}

#[test]
fn a_read_that_waited_in_vain_gets_the_events_instead() {
    let mut device = greeted(eager());
    device.binary(0, true);
    assert_eq!(device.after(0), [BINARY_0_ON]);
    assert_eq!(device.hears("C0 01 3C 02 06"), [""; 0]);
    assert_eq!(device.hears("C1 01 3C 02 06"), [""; 0], "the later one takes its place");
    assert_eq!(device.after(5_000), ["E1 81 80 00 02 01 28 01 00 00 00 81"]);
    assert_eq!(device.hears("D1 00"), [""; 0], "too late");
    assert_eq!(device.hears("C1 00"), [""; 0]);
    assert_eq!(device.session.database().waiting_events(), 0);
}

/// opendnp3, TestOutstationUnsolicitedResponses.
#[test]
fn a_command_takes_the_place_of_a_read_that_waits() {
    let mut device = greeted(eager());
    device.binary(0, true);
    assert_eq!(device.after(0), [BINARY_0_ON]);
    assert_eq!(device.hears("C0 01 3C 01 06"), [""; 0]);
    assert_eq!(device.hears("C0 02 50 01 00 07 07 00"), ["C0 81 00 00"]);
    assert_eq!(device.hears("D1 00"), [""; 0]);
}

#[test]
fn no_report_leaves_while_an_answer_awaits_its_confirmation() {
    let mut device = greeted(eager());
    device.binary(0, true);
    assert_eq!(device.hears("C0 01 3C 02 06"), ["E0 81 80 00 02 01 28 01 00 00 00 81"]);
    device.binary(1, true);
    assert_eq!(device.after(0), [""; 0]);
    assert_eq!(device.hears("C0 00"), ["F1 82 80 00 02 01 28 01 00 01 00 81"]);
}

#[test]
fn leave_that_is_taken_back_ends_the_repetitions() {
    let mut device = greeted(eager());
    device.binary(0, true);
    assert_eq!(device.after(0), [BINARY_0_ON]);
    assert_eq!(device.hears("C0 15 3C 02 06 3C 03 06 3C 04 06"), ["C0 81 80 00"]);
    // what is asked for now need not wait
    assert_eq!(device.hears("C1 01 3C 02 06"), ["E1 81 80 00 02 01 28 01 00 00 00 81"]);
    device.hears("C1 00");
    device.binary(0, false);
    assert_eq!(device.after(600_000), [""; 0]);
    assert_eq!(device.hears("C2 15 3C 01 06"), ["C2 81 82 04"]);
    assert_eq!(device.hears("C3 14 01 02 06"), ["C3 81 82 04"]);
}

#[test]
fn a_report_that_was_under_way_when_leave_was_taken_back_can_be_confirmed() {
    let mut device = greeted(eager());
    device.binary(0, true);
    assert_eq!(device.after(0), [BINARY_0_ON]);
    device.hears("C0 15 3C 02 06");
    assert_eq!(device.hears("D1 00"), [""; 0]);
    assert_eq!(device.session.database().waiting_events(), 0);
}

/// opendnp3, TestOutstationBroadcast.
#[test]
fn a_report_tells_of_what_was_said_to_everybody() {
    let mut device = greeted(eager());
    device.hears_with_everybody("C1 02 50 01 00 07 07 00", true);
    device.binary(0, true);
    assert_eq!(device.after(0), ["F1 82 01 00 02 01 28 01 00 00 00 81"]);
    device.hears("D1 00");
    device.binary(0, false);
    assert_eq!(device.after(0), ["F2 82 00 00 02 01 28 01 00 00 00 01"]);
}

#[test]
fn a_restart_takes_back_leave_and_begins_with_the_first_number() {
    let mut device = greeted(eager());
    device.binary(0, true);
    assert_eq!(device.after(0), [BINARY_0_ON]);
    device.session.restart(Restart::KeepEvents);
    assert_eq!(device.after(0), ["F0 82 82 00"]);
    assert_eq!(device.hears("D0 00"), [""; 0]);
    assert_eq!(device.hears("C0 14 3C 02 06"), ["C0 81 82 00", BINARY_0_ON]);
}
