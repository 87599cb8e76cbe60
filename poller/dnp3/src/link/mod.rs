//! The link layer (clause 9): frames of up to 292 bytes, each block of up to 16 bytes with its own check word.
//!
//! [`Parser`] finds frames in a stream, however dirty; [`encode`] makes them. What is answered to a peer's link request is said
//! by [`answer`].

mod address;
mod answer;
mod frame;
mod header;
mod parser;
#[cfg(test)]
pub(crate) mod tests;

pub use address::Address;
pub use answer::answer;
pub use frame::{Frame, MAX_FRAME, MAX_USER_DATA, encode};
pub use header::{Control, Function, HEADER_LENGTH, Header, Primary, Secondary};
pub use parser::{Counters, Parser};
