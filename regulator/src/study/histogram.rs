//! How long a voltage was where, and how long a tap.

use serde::Serialize;

/// Lowest voltage told apart, V, and how many bins there are from there, 0.1 V each; the first and the last take what is beyond.
const LOWEST_V: f64 = 90.0;
const BIN_V: f64 = 0.1;
const BINS: usize = 600;
const BINS_A_VOLT: f64 = 10.0;

/// Seconds by voltage, in steps of 0.1 V from 90 to 150 V.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct VoltageHistogram {
    seconds: Vec<f64>,
    lowest_v: f64,
    highest_v: f64,
}

impl Default for VoltageHistogram {
    fn default() -> Self {
        Self { seconds: vec![0.0; BINS], lowest_v: f64::INFINITY, highest_v: f64::NEG_INFINITY }
    }
}

impl VoltageHistogram {
    #[inline]
    pub(super) fn add(&mut self, voltage_v: f64, seconds: f64) {
        // A negative place becomes the first.
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a place in the table")]
        let bin = ((voltage_v - LOWEST_V) * BINS_A_VOLT) as usize;
        self.seconds[bin.min(BINS - 1)] += seconds;
        if voltage_v < self.lowest_v {
            self.lowest_v = voltage_v;
        }
        if voltage_v > self.highest_v {
            self.highest_v = voltage_v;
        }
    }

    /// Seconds in all.
    #[must_use]
    pub fn total_s(&self) -> f64 {
        self.seconds.iter().sum()
    }

    /// Lowest and highest voltage seen, V, if any was.
    #[must_use]
    pub fn extremes_v(&self) -> Option<(f64, f64)> {
        (self.lowest_v <= self.highest_v).then_some((self.lowest_v, self.highest_v))
    }

    /// The voltage below which it was for this share of the time (0 to 1), V, to a bin's width of 0.1 V.
    #[must_use]
    pub fn quantile_v(&self, share: f64) -> Option<f64> {
        let (lowest, highest) = self.extremes_v()?;
        let wanted = share.clamp(0.0, 1.0) * self.total_s();
        let mut below = 0.0;
        for (edge_v, seconds) in self.bins() {
            if *seconds > 0.0 && below + seconds >= wanted {
                return Some((edge_v + BIN_V * (wanted - below) / seconds).clamp(lowest, highest));
            }
            below += seconds;
        }
        Some(highest)
    }

    /// Lower edge, V, and seconds of each bin.
    pub fn bins(&self) -> impl Iterator<Item = (f64, &f64)> {
        #[expect(clippy::cast_precision_loss, reason = "a few hundred")]
        self.seconds.iter().enumerate().map(|(bin, seconds)| (BIN_V.mul_add(bin as f64, LOWEST_V), seconds))
    }
}

/// Seconds by tap.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct TapHistogram {
    seconds: std::collections::BTreeMap<i32, f64>,
}

impl TapHistogram {
    pub(super) fn add(&mut self, tap: i32, seconds: f64) {
        if seconds > 0.0 {
            *self.seconds.entry(tap).or_default() += seconds;
        }
    }

    /// Lowest and highest tap, if there was any.
    #[must_use]
    pub fn extremes(&self) -> Option<(i32, i32)> {
        Some((*self.seconds.first_key_value()?.0, *self.seconds.last_key_value()?.0))
    }

    /// Tap and seconds on it, lowest first.
    pub fn taps(&self) -> impl Iterator<Item = (i32, f64)> + '_ {
        self.seconds.iter().map(|(tap, seconds)| (*tap, *seconds))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_lie_within_a_bin_of_the_sorted_values() {
        let mut histogram = VoltageHistogram::default();
        for k in 0..1000_u32 {
            histogram.add(115.0 + 0.01 * f64::from(k), 1.0);
        }
        for (share, value) in [(0.0, 115.0), (0.05, 115.5), (0.5, 120.0), (0.95, 124.5), (1.0, 124.99)] {
            let got = histogram.quantile_v(share).unwrap();
            assert!((got - value).abs() <= 0.1, "{share}: {got} is not {value}");
        }
    }

    #[test]
    fn nothing_seen_has_no_quantile() {
        assert_eq!(VoltageHistogram::default().quantile_v(0.5), None);
        assert_eq!(TapHistogram::default().extremes(), None);
    }

    #[test]
    fn voltages_beyond_the_table_are_kept_in_its_ends() {
        let mut histogram = VoltageHistogram::default();
        histogram.add(0.0, 5.0);
        histogram.add(500.0, 7.0);
        assert_eq!(histogram.total_s(), 12.0);
        assert_eq!(histogram.extremes_v(), Some((0.0, 500.0)));
    }
}
