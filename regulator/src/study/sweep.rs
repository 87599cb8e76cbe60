//! A map over bandwidth and delay.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

use serde::Serialize;

use super::outcome::{Essentials, UNDONE_WITHIN_S};
use super::replay::Replay;
use super::track::Track;
use super::wear::Wear;
use crate::control::ControlSettings;

/// Which settings to try: every bandwidth with every delay, all else as in `base`.
#[derive(Debug, Clone, PartialEq)]
pub struct Sweep {
    /// Everything but bandwidth and delay of the forward settings.
    pub base: ControlSettings,
    /// Bandwidths, V: a row each.
    pub bandwidths_v: Vec<f64>,
    /// Delays, seconds: a column each.
    pub delays_s: Vec<f64>,
}

/// What came of one pair of settings; see [`Outcome`](super::Outcome) for the figures.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[expect(missing_docs, reason = "the names are those of Outcome")]
pub struct Cell {
    pub bandwidth_v: f64,
    pub delay_s: f64,
    pub operations: u64,
    pub undone: u64,
    pub out_of_band_s: f64,
    pub outside_range_a_s: f64,
    pub outside_range_b_s: f64,
    pub wear: Wear,
}

impl Sweep {
    /// The settings of one cell.
    #[must_use]
    pub const fn settings(&self, bandwidth_v: f64, delay_s: f64) -> ControlSettings {
        let mut settings = self.base;
        settings.forward.bandwidth_v = bandwidth_v;
        settings.forward.delay_s = delay_s;
        settings
    }

    /// One row: this bandwidth with every delay.
    #[must_use]
    pub fn row(&self, replay: &Replay<'_>, bandwidth_v: f64) -> Vec<Cell> {
        let mut track = Track::default();
        self.delays_s.iter().map(|delay_s| self.cell(replay, bandwidth_v, *delay_s, &mut track)).collect()
    }

    fn cell(&self, replay: &Replay<'_>, bandwidth_v: f64, delay_s: f64, track: &mut Track) -> Cell {
        let settings = self.settings(bandwidth_v, delay_s);
        replay.track_into(&settings, track);
        let sums = Essentials::of(replay, &settings, track);
        Cell {
            bandwidth_v,
            delay_s,
            operations: track.operations(),
            undone: track.undone_within(UNDONE_WITHIN_S),
            out_of_band_s: sums.out_of_band_s,
            outside_range_a_s: sums.outside_range_a_s,
            outside_range_b_s: sums.outside_range_b_s,
            wear: Wear::of(replay, track),
        }
    }

    /// The whole map, row by row, on this many threads (0 is taken for 1). The result does not depend on them.
    #[must_use]
    pub fn map(&self, replay: &Replay<'_>, threads: usize) -> Vec<Vec<Cell>> {
        let next = AtomicUsize::new(0);
        // Rows take different times (a narrow band taps more), so each thread takes the next one that nobody has.
        let work = || {
            let mut done = vec![];
            loop {
                let row = next.fetch_add(1, Ordering::Relaxed);
                let Some(bandwidth_v) = self.bandwidths_v.get(row) else { return done };
                done.push((row, self.row(replay, *bandwidth_v)));
            }
        };
        let mut rows: Vec<_> = thread::scope(|scope| {
            let others: Vec<_> = (1..threads).map(|_| scope.spawn(work)).collect();
            let own = work();
            // A thread that panicked has met a defect of ours; it is passed on.
            let joined = others.into_iter().flat_map(|other| match other.join() {
                Ok(done) => done,
                Err(panic) => std::panic::resume_unwind(panic),
            });
            own.into_iter().chain(joined).collect()
        });
        rows.sort_by_key(|(row, _)| *row);
        rows.into_iter().map(|(_, cells)| cells).collect()
    }
}
