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

/// Bandwidths, V, and delays, seconds, of a common map.
const BANDWIDTHS_V: [f64; 20] =
    [1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2, 2.4, 2.6, 2.8, 3.0, 3.2, 3.4, 3.6, 3.8, 4.0, 4.5, 5.0, 5.5, 6.0];
const DELAYS_S: [f64; 20] = [
    5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0, 50.0, 60.0, 70.0, 80.0, 90.0, 105.0, 120.0, 150.0,
    180.0, 240.0, 300.0,
];

impl Sweep {
    /// A map of 20 bandwidths (1 to 6 V) and 20 delays (5 to 300 s), the nearest of each moved onto those of `base`.
    #[must_use]
    pub fn around(base: ControlSettings) -> Self {
        Self {
            bandwidths_v: through(BANDWIDTHS_V, base.forward.bandwidth_v),
            delays_s: through(DELAYS_S, base.forward.delay_s),
            base,
        }
    }

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

/// The values with the nearest one replaced by `own`.
fn through(mut values: [f64; 20], own: f64) -> Vec<f64> {
    let apart = |v: &f64| (v - own).abs();
    if let Some(nearest) = values.iter_mut().min_by(|a, b| apart(a).total_cmp(&apart(b))) {
        *nearest = own;
    }
    values.to_vec()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_common_map_has_the_present_settings_in_order() {
        for (bandwidth_v, delay_s) in [(2.0, 30.0), (2.15, 33.0), (0.7, 1.0), (9.0, 900.0)] {
            let mut base = ControlSettings::common();
            base.forward.bandwidth_v = bandwidth_v;
            base.forward.delay_s = delay_s;
            let sweep = Sweep::around(base);
            assert!(sweep.bandwidths_v.contains(&bandwidth_v) && sweep.delays_s.contains(&delay_s));
            assert_eq!((sweep.bandwidths_v.len(), sweep.delays_s.len()), (20, 20));
            assert!(sweep.bandwidths_v.is_sorted() && sweep.delays_s.is_sorted());
        }
    }
}
