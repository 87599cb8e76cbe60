//! What this server counts of its own requests, for `/metrics`.

use std::{
    sync::atomic::{AtomicU64, Ordering::Relaxed},
    time::Duration,
};

/// Upper bounds of the histogram of durations, in seconds.
pub(crate) const BOUNDS_S: [f64; 8] = [0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 1.0, 5.0];

/// Counts since the server began.
#[derive(Debug, Default)]
pub struct Metrics {
    /// By first digit of the status, from 1xx.
    classes: [AtomicU64; 5],
    /// Requests no longer than each bound, and beyond the last.
    durations: [AtomicU64; BOUNDS_S.len() + 1],
    duration_us: AtomicU64,
}

impl Metrics {
    /// Counts one request.
    pub(crate) fn answered(&self, status: u16, duration: Duration) {
        let class = usize::from(status / 100).clamp(1, 5) - 1;
        self.classes[class].fetch_add(1, Relaxed);
        let seconds = duration.as_secs_f64();
        let bucket = BOUNDS_S.iter().position(|bound| seconds <= *bound).unwrap_or(BOUNDS_S.len());
        self.durations[bucket].fetch_add(1, Relaxed);
        self.duration_us.fetch_add(u64::try_from(duration.as_micros()).unwrap_or(u64::MAX), Relaxed);
    }

    /// Class of status and count.
    pub(crate) fn classes(&self) -> impl Iterator<Item = (usize, u64)> {
        self.classes.iter().enumerate().map(|(i, count)| (i + 1, count.load(Relaxed)))
    }

    /// Cumulative counts by bound, then in all.
    pub(crate) fn durations(&self) -> (Vec<u64>, u64) {
        let mut sum = 0;
        let mut cumulative: Vec<u64> = self
            .durations
            .iter()
            .map(|count| {
                sum += count.load(Relaxed);
                sum
            })
            .collect();
        let all = cumulative.pop().unwrap_or_default();
        (cumulative, all)
    }

    /// Time spent on requests.
    pub(crate) fn duration_sum(&self) -> Duration {
        Duration::from_micros(self.duration_us.load(Relaxed))
    }
}
