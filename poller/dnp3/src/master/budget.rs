//! How much a peer may send that nobody asked for.

use std::time::Duration;

/// Frames, or their like in rubbish, that a peer may send unasked in one [`WINDOW`].
const ALLOWED: u64 = 2_000;
const WINDOW: Duration = Duration::from_secs(10);
/// Bytes of rubbish that count like a frame.
pub(super) const BYTES_A_FRAME: u64 = 64;

/// Counts what came unasked, window by window.
#[derive(Debug)]
pub(super) struct Budget {
    since: Duration,
    used: u64,
}

impl Budget {
    pub(super) const fn new(now: Duration) -> Self {
        Self { since: now, used: 0 }
    }

    /// Adds to what came unasked; false when that is too much.
    pub(super) fn spend(&mut self, amount: u64, now: Duration) -> bool {
        if now >= self.since + WINDOW {
            *self = Self::new(now);
        }
        self.used = self.used.saturating_add(amount);
        self.used <= ALLOWED
    }
}
