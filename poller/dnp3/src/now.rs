//! The time, as both sessions are told it.

use std::time::Duration;

use crate::objects::Timestamp;

/// The time, by both clocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Now {
    /// Since some beginning that never changes; never runs backward.
    pub monotonic: Duration,
    /// UTC. A master sets and judges outstations' clocks by it; an outstation's own clock is so far off from it.
    pub wall: Timestamp,
}
