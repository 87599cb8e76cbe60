//! The state of one regulator at one instant.

use crate::{Quality, Quantity, Timestamp};

/// All quantities of one regulator at one instant, each with its quality.
///
/// A value may be present without being good (a tap beyond its limits is kept); [`Reading::good`] is what rules use.
#[derive(Debug, Clone)]
pub struct Reading {
    /// When it was measured.
    pub measured_at: Timestamp,
    values: [f64; Quantity::COUNT],
    quality: [Quality; Quantity::COUNT],
}

/// Two readings that miss the same value are equal in it.
impl PartialEq for Reading {
    fn eq(&self, other: &Self) -> bool {
        self.measured_at == other.measured_at
            && self.quality == other.quality
            && Quantity::ALL.iter().all(|&q| self.value(q) == other.value(q))
    }
}

impl Reading {
    /// A reading that reports nothing yet.
    #[must_use]
    pub const fn new(measured_at: Timestamp) -> Self {
        Self {
            measured_at,
            values: [f64::NAN; Quantity::COUNT],
            quality: [Quality::NotReported; Quantity::COUNT],
        }
    }

    /// Sets one quantity. Yes is 1, no is 0; a value that is not finite is stored as missing.
    pub fn set(&mut self, quantity: Quantity, value: Option<f64>, quality: Quality) {
        self.values[quantity.index()] = value.filter(|v| v.is_finite()).unwrap_or(f64::NAN);
        self.quality[quantity.index()] = quality;
    }

    /// The same, for building readings in one expression: a good value.
    #[must_use]
    pub fn with(mut self, quantity: Quantity, value: f64) -> Self {
        self.set(quantity, Some(value), Quality::Good);
        self
    }

    /// The value if its quality is good, else nothing.
    #[must_use]
    pub fn good(&self, quantity: Quantity) -> Option<f64> {
        match self.quality(quantity) {
            Quality::Good => self.value(quantity),
            _ => None,
        }
    }

    /// A good yes/no.
    #[must_use]
    pub fn flag(&self, quantity: Quantity) -> Option<bool> {
        self.good(quantity).map(|v| v != 0.0)
    }

    /// The value as reported, usable or not.
    #[must_use]
    pub fn value(&self, quantity: Quantity) -> Option<f64> {
        let value = self.values[quantity.index()];
        (!value.is_nan()).then_some(value)
    }

    /// The quality of one quantity.
    #[must_use]
    pub const fn quality(&self, quantity: Quantity) -> Quality {
        self.quality[quantity.index()]
    }

    /// The stored form of all qualities: one byte a quantity, trailing [`Quality::NotReported`] cut.
    #[must_use]
    pub fn quality_bytes(&self) -> Vec<u8> {
        let last = self.quality.iter().rposition(|q| *q != Quality::NotReported).map_or(0, |i| i + 1);
        self.quality[..last].iter().map(|q| q.code()).collect()
    }

    /// Joins another reading of the same instant into this one. Where both report a quantity, a good value wins over one
    /// that is not, and otherwise the newcomer's.
    pub fn merge(&mut self, other: &Self) {
        for &q in Quantity::ALL {
            let theirs = other.quality(q);
            if theirs == Quality::NotReported || (self.quality(q) == Quality::Good && theirs != Quality::Good)
            {
                continue;
            }
            self.set(q, other.value(q), theirs);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn merging_keeps_both_parts_and_never_trades_good_for_bad() {
        let at = Timestamp::UNIX_EPOCH;
        let mut a = Reading::new(at).with(Quantity::LoadVoltage, 121.0).with(Quantity::Tap, 3.0);
        let mut b = Reading::new(at).with(Quantity::Current, 80.0);
        b.set(Quantity::Tap, None, Quality::NotAvailable);
        a.merge(&b);
        assert_eq!(a.good(Quantity::LoadVoltage), Some(121.0));
        assert_eq!(a.good(Quantity::Current), Some(80.0));
        assert_eq!(a.good(Quantity::Tap), Some(3.0));
        assert_eq!(a.quality(Quantity::SourceVoltage), Quality::NotReported);
    }

    #[test]
    fn stored_quality_ends_with_the_last_reported_quantity() {
        let r = Reading::new(Timestamp::UNIX_EPOCH).with(Quantity::Current, 1.0);
        assert_eq!(r.quality_bytes(), [0, 0, 1]);
    }
}
