//! The state of an occurrence of an alarm, in the words of ISA-18.2 and IEC 62682.

use regulator::alarms::State;

/// The state of an occurrence that has, or has not, returned and been acknowledged, and of what holds it now: a state's name as
/// the database has it.
#[must_use]
pub fn state_of(returned: bool, acknowledged: bool, announced: bool, hold: Option<&str>) -> State {
    match (hold, returned, acknowledged) {
        (Some("out_of_service"), ..) => State::OutOfService,
        (Some("shelved"), ..) => State::Shelved,
        (Some(_), ..) => State::SuppressedByDesign,
        (None, false, false) => State::Unacknowledged,
        (None, false, true) => State::Acknowledged,
        (None, true, false) if announced => State::ReturnedUnacknowledged,
        (None, true, _) => State::Normal,
    }
}
