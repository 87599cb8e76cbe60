//! Our master and our outstation against strangers: an independent DNP3 library that plays each side over real sockets, and an independent dissector
//! that reads what both of ours say.
//!
//! The library is in Python and runs from `.venv` (`make peers`); the dissector is tshark (`scripts/set-up dissector`). Where a stranger is not
//! right by the standard, the check says so beside it.

#![expect(clippy::unwrap_used, reason = "what fails here fails the test")]

mod agreement;
mod capture;
mod day;
mod dissected;
mod dissector;
mod exchanges;
mod our_master;
mod peer;
mod their_master;
mod told;
mod variations;
mod wire;
