//! The poller's own numbers.

use std::{
    collections::BTreeMap,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
};

use regulator::Timestamp;

use super::{endpoints::Endpoints, histogram::Histogram};
use crate::endpoint::Outcome;

/// Seconds.
const DELAYS: &[f64] = &[0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0];
/// Readings.
const SIZES: &[f64] = &[0.0, 1.0, 10.0, 100.0, 1_000.0, 10_000.0];
/// Latenesses kept to find their 99th percentile.
const RECENT: usize = 10_000;

/// Everything that is counted, since the start.
#[derive(Debug)]
pub struct Counters {
    /// When the poller started.
    pub started_at: Timestamp,
    /// How each endpoint is doing.
    pub endpoints: Endpoints,
    /// Endpoints polled now.
    pub endpoint_count: usize,
    /// Regulators polled now.
    pub regulator_count: usize,
    /// Polls of a unit.
    pub polls: u64,
    /// Due times that passed without a poll.
    pub missed: u64,
    /// Failed polls, by kind.
    pub failures: BTreeMap<&'static str, u64>,
    /// How late polls started, seconds.
    pub lateness: Histogram,
    /// The slowest request of answered polls, seconds.
    pub latency: Histogram,
    /// Readings that wait for the database.
    pub held: u64,
    /// Readings written.
    pub written: u64,
    /// Readings dropped because too many waited for the database.
    pub given_up_by_hold: u64,
    /// Reports dropped because the store was too far behind to take them.
    pub given_up_by_channel: u64,
    /// Readings that the database or the writer refused.
    pub refused: u64,
    /// Readings in a batch.
    pub batch_sizes: Histogram,
    /// Whether the last attempt to write succeeded.
    pub database_up: bool,
    /// Batches that the rollups have not seen yet.
    pub rollup_behind: u64,
    recent_lateness_ms: Vec<f32>,
}

impl Counters {
    /// Nothing counted yet.
    #[must_use]
    pub fn new(started_at: Timestamp) -> Self {
        Self {
            started_at,
            endpoints: Endpoints::default(),
            endpoint_count: 0,
            regulator_count: 0,
            polls: 0,
            missed: 0,
            failures: BTreeMap::new(),
            lateness: Histogram::new(DELAYS),
            latency: Histogram::new(DELAYS),
            held: 0,
            written: 0,
            given_up_by_hold: 0,
            given_up_by_channel: 0,
            refused: 0,
            batch_sizes: Histogram::new(SIZES),
            database_up: false,
            rollup_behind: 0,
            recent_lateness_ms: Vec::new(),
        }
    }

    /// Counts one outcome of a poll.
    pub fn note(&mut self, outcome: &Outcome) {
        self.polls += 1;
        self.missed += u64::from(outcome.missed);
        self.lateness.observe(outcome.lateness.as_secs_f64());
        if self.recent_lateness_ms.len() < RECENT {
            self.recent_lateness_ms.push(outcome.lateness.as_secs_f32() * 1e3);
        }
        match &outcome.result {
            Ok(answered) => self.latency.observe(answered.latency.as_secs_f64()),
            Err(failure) => *self.failures.entry(failure.kind.name()).or_default() += 1,
        }
        self.endpoints.note(outcome);
    }

    /// Readings dropped for either reason.
    #[must_use]
    pub const fn given_up(&self) -> u64 {
        self.given_up_by_hold + self.given_up_by_channel
    }

    /// The 99th percentile of the latenesses since this was last asked, ms.
    pub fn take_lateness_p99_ms(&mut self) -> Option<f32> {
        let mut recent = std::mem::take(&mut self.recent_lateness_ms);
        let index = (recent.len().checked_sub(1)?) * 99 / 100;
        Some(*recent.select_nth_unstable_by(index, f32::total_cmp).1)
    }
}

/// The counters, shared by the parts of the poller.
#[derive(Debug, Clone)]
pub struct Shared(Arc<Mutex<Counters>>);

impl Shared {
    /// Nothing counted yet.
    #[must_use]
    pub fn new(started_at: Timestamp) -> Self {
        Self(Arc::new(Mutex::new(Counters::new(started_at))))
    }

    /// The counters; for short sections without waiting.
    pub fn lock(&self) -> MutexGuard<'_, Counters> {
        // numbers are whole whatever happened to who counted them
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
