//! How detection is doing, for the health page and metrics.

use std::sync::{Mutex, PoisonError};

use regulator::Timestamp;

/// Shared by the runner, which writes it, and the pages, which read it.
#[derive(Debug, Default)]
pub struct Status(Mutex<Snapshot>);

/// Numbers of this process since it began.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Snapshot {
    /// Whether this server runs detection; another one does, or nobody, while it is false.
    pub leading: bool,
    /// The last batch dealt with.
    pub cursor: i64,
    /// Batches written and not dealt with yet, at the end of the last pass.
    pub lag_batches: i64,
    /// When the last pass ended.
    pub last_pass_at: Option<Timestamp>,
    /// Passes that failed and were undone.
    pub passes_failed: u64,
    /// Readings judged.
    pub readings_judged: u64,
    /// Readings not judged: a later one of the same regulator had been judged already.
    pub readings_late: u64,
    /// Readings not judged: measured, by their own word, after they were written.
    pub readings_ahead: u64,
    /// Readings of regulators that are not in service here.
    pub readings_unknown: u64,
    /// Alarms raised.
    pub alarms_raised: u64,
    /// Alarms returned.
    pub alarms_returned: u64,
}

impl Status {
    /// The numbers now.
    #[must_use]
    pub fn snapshot(&self) -> Snapshot {
        // Plain numbers are never half-written, so a poisoned lock is no matter.
        *self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(super) fn update(&self, change: impl FnOnce(&mut Snapshot)) {
        change(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner));
    }

    pub(super) fn leads(&self, leading: bool) {
        self.update(|s| s.leading = leading);
    }

    pub(super) fn failed(&self) {
        self.update(|s| s.passes_failed += 1);
    }
}
