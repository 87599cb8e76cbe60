//! What readings had, and what had to be left out or assumed of them.

use serde::Serialize;

/// Measured load voltage against measured source voltage times the ratio of the recorded tap.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct Disagreement {
    /// Readings in which all three are known.
    pub count: u64,
    /// Mean difference, V: meters, and the unit's own drop.
    pub mean_v: f64,
    /// Standard deviation, V: noise, and taps reported late.
    pub deviation_v: f64,
}

/// What the readings had, and what had to be left out or assumed.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct Coverage {
    /// Readings given.
    pub readings: u64,
    /// Samples made of them.
    pub samples: u64,
    /// Left out: no source voltage to be had.
    pub without_voltage: u64,
    /// Left out: no tap known, and none implied by the voltages.
    pub without_tap: u64,
    /// The tap was that of the reading before, or implied by the two voltages.
    pub tap_inferred: u64,
    /// The source voltage was measured although a rebuilt one was wanted.
    pub measured_instead: u64,
    /// The current was not known.
    pub without_current: u64,
    /// The control did not say whether it was in automatic, which was then assumed.
    pub automatic_assumed: u64,
    /// Operations by the control's own counter, where it reports one; more than the recorded taps show when some were undone between two readings.
    pub counted_operations: Option<u64>,
    /// How the two voltages agree with the tap.
    pub disagreement: Disagreement,
}

impl Disagreement {
    /// Welford's running mean and sum of squares (kept in `deviation_v` until finished).
    pub(super) fn add(&mut self, difference_v: f64) {
        self.count += 1;
        let before = difference_v - self.mean_v;
        #[expect(clippy::cast_precision_loss, reason = "counts of this size divide exactly enough")]
        let count = self.count as f64;
        self.mean_v += before / count;
        self.deviation_v += before * (difference_v - self.mean_v);
    }

    pub(super) fn finish(&mut self) {
        #[expect(clippy::cast_precision_loss, reason = "counts of this size divide exactly enough")]
        let count = self.count.max(1) as f64;
        self.deviation_v = (self.deviation_v / count).sqrt();
    }
}
