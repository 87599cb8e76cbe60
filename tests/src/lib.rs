//! The vocabulary of the whole-system tests: roles as child processes, independent peers, a fleet, waiting with bounds.
//!
//! Roles are children running the built program (`cargo build -p tapkeeper` first); peers need `tests/peers/set-up`. The database
//! is away for 8 s in the story of the outage, or for as many as `TAPKEEPER_TEST_OUTAGE_SECONDS` says.
//!
//! The stories themselves are in `tests/system`; rules kept by program are in `tests/tidy`; measures are in `benches`.

#![expect(clippy::unwrap_used, reason = "what fails here fails the test")]

mod fleet;
mod http;
mod peer;
mod role;
mod wait;

pub use fleet::Inventory;
pub use http::{babbling_device, free_port, get};
pub use peer::{Peer, metrics};
pub use role::{Role, output_of};
pub use wait::{until, until_equal};
