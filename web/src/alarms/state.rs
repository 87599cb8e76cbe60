//! The state of an occurrence of an alarm, in the words of ISA-18.2 and IEC 62682.

use regulator::alarms::State;

/// The state of an occurrence that has, or has not, returned, been acknowledged and been announced, as far as nothing holds it.
#[must_use]
pub const fn state_of(returned: bool, acknowledged: bool, announced: bool) -> State {
    match (returned, acknowledged) {
        (false, false) => State::Unacknowledged,
        (false, true) => State::Acknowledged,
        (true, false) if announced => State::ReturnedUnacknowledged,
        (true, _) => State::Normal,
    }
}
