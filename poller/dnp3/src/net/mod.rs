//! The thin tokio tasks around the sessions.

mod master;
mod outstation;
#[cfg(test)]
mod tests;

use std::time::Duration;

pub use master::{Ended, drive};
pub use outstation::answer;

/// A peer that takes nothing for so long is given up.
const WRITE_TIMEOUT: Duration = Duration::from_secs(10);
/// Room for a whole fragment with all its frames.
const PIECE: usize = 2_560;
