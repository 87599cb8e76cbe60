//! What a station answers to the link requests of its peer (clauses 9.2.5 and 9.2.6).

use super::{Control, Function, Header, Primary, Secondary};

/// The header of the answer to a frame from a primary station; none where none is due. `from_master`: whether the answering
/// station is the master.
///
/// Confirmed user data is acknowledged each time it comes, as by a station whose link has been reset: over TCP nothing is
/// repeated by the link, and what the application layer gets twice it tells apart by its own sequence numbers.
#[must_use]
pub const fn answer(asked: &Header, from_master: bool) -> Option<Header> {
    let secondary = match asked.control.function {
        Function::Primary(
            Primary::ResetLinkStates | Primary::TestLinkStates | Primary::ConfirmedUserData,
        ) => Secondary::Ack,
        Function::Primary(Primary::RequestLinkStatus) => Secondary::LinkStatus,
        Function::Unknown { primary: true, .. } => Secondary::NotSupported,
        Function::Primary(Primary::UnconfirmedUserData)
        | Function::Secondary(_)
        | Function::Unknown { primary: false, .. } => return None,
    };
    // nobody answers what was said to everybody
    if asked.destination.is_broadcast() {
        return None;
    }
    Some(Header {
        control: Control::new(from_master, Function::Secondary(secondary)),
        destination: asked.source,
        source: asked.destination,
    })
}
