//! Averages of readings between operations.
//!
//! A reading counts once the next one shows the same tap and counter as it and as the one before: those beside an operation
//! would mix the old tap with the new voltage or the other way round.

use serde::{Deserialize, Serialize};

/// Fewer readings than this are no average.
const LEAST: u16 = 3;

/// One reading's offset, steps, and in-phase current, per unit of the rating, positive from source to load.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct Sample(pub(super) f32, pub(super) f32);

/// A finished block.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Mean {
    pub(super) offset: f64,
    pub(super) load: f64,
    /// Variance of `offset` from the scatter of its readings.
    pub(super) variance: f64,
    /// Variance of one reading's offset.
    pub(super) scatter: f64,
    /// First and last instant, seconds since 1970.
    pub(super) from_s: i64,
    pub(super) to_s: i64,
}

/// The sums of the present block.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Block {
    #[serde(rename = "n")]
    count: u16,
    #[serde(rename = "y")]
    sum: f32,
    #[serde(rename = "q")]
    squares: f32,
    #[serde(rename = "i")]
    load: f32,
    #[serde(rename = "f")]
    from_s: i64,
    #[serde(rename = "t")]
    to_s: i64,
    /// The last reading, until the next one confirms it.
    #[serde(rename = "w", skip_serializing_if = "Option::is_none")]
    waiting: Option<Sample>,
}

impl Block {
    /// Takes a reading at a settled tap; the block's mean if it is `length_s` long with it.
    #[inline]
    pub(super) fn add(&mut self, at_s: i64, sample: Sample, length_s: i64) -> Option<Mean> {
        if let Some(Sample(offset, load)) = self.waiting.replace(sample) {
            if self.count == 0 {
                self.from_s = at_s;
            }
            self.count = self.count.saturating_add(1);
            self.sum += offset;
            self.squares += offset * offset;
            self.load += load;
            self.to_s = at_s;
        }
        if self.count == 0 || at_s - self.from_s < length_s {
            return None;
        }
        let waiting = self.waiting;
        let mean = self.close();
        self.waiting = waiting;
        mean
    }

    /// Ends it at an operation: the last reading, beside it, is not counted.
    pub(super) fn close(&mut self) -> Option<Mean> {
        let Self { count, sum, squares, load, from_s, to_s, .. } = std::mem::take(self);
        if count < LEAST {
            return None;
        }
        let n = f64::from(count);
        let offset = f64::from(sum) / n;
        let scatter = (f64::from(squares) / n - offset * offset).max(0.0);
        Some(Mean { offset, load: f64::from(load) / n, variance: scatter / (n - 1.0), scatter, from_s, to_s })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn readings_beside_an_operation_do_not_count() {
        let mut block = Block::default();
        for (s, y) in [(0, 1.0), (10, 2.0), (20, 3.0), (30, 100.0)] {
            assert_eq!(block.add(s, Sample(y, 0.5), 900), None);
        }
        let mean = block.close().unwrap();
        assert!((mean.offset - 2.0).abs() < 1e-6 && (mean.load - 0.5).abs() < 1e-6, "{mean:?}");
        // the variance of a mean: (2/3) / (3 - 1)
        assert!((mean.variance - 1.0 / 3.0).abs() < 1e-6, "{mean:?}");
        assert_eq!(block, Block::default());
    }

    #[test]
    fn a_quiet_tap_gives_a_block_every_length_and_few_readings_none() {
        let mut block = Block::default();
        let means = (0..200).filter_map(|i| block.add(i * 10, Sample(1.0, 0.0), 900)).count();
        assert_eq!(means, 2);
        let mut few = Block::default();
        few.add(0, Sample(1.0, 0.0), 900);
        few.add(10, Sample(1.0, 0.0), 900);
        assert_eq!(few.close(), None);
    }
}
