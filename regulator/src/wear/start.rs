//! What to assume of the time before the first reading.
//!
//! All that is known is the counter: so many operations since the contacts were new (less what it showed then, where that is
//! set). Each finger has broken half of them, because the two move by turns. How they spread over the stationary contacts is not
//! known: at the least evenly over nine, at the most half on one (no contact can take more, see [`super::contacts`]), by default a
//! quarter on the worst (assumption). Nor is the current: a share of rated is assumed, with a range. A counter that has rolled
//! over, or a control that was replaced, hides operations: then the figure is too low, and only the utility's records help.

use super::{Erosion, Estimate};

/// What is assumed of the operations before the first reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StartAssumption {
    /// Mean load current at those operations, per unit of rated.
    pub current: Estimate,
    /// Share of them that the worst stationary contact broke.
    pub worst_contact: Estimate,
}

impl Default for StartAssumption {
    fn default() -> Self {
        Self {
            current: Estimate { low: 0.25, likely: 0.5, high: 0.75 },
            worst_contact: Estimate { low: 1.0 / 9.0, likely: 0.25, high: 0.5 },
        }
    }
}

impl StartAssumption {
    /// The usual range about this mean current (per unit of rated): half as much to half as much again.
    #[must_use]
    pub fn about(current: f64) -> Self {
        let current = Estimate { low: 0.5 * current, likely: current, high: 1.5 * current };
        Self { current, ..Self::default() }
    }
}

/// Share of life that the worst stationary contact, and each finger, had used after so many operations: both with the range of
/// the assumptions and of the exponent. Nothing if the law cannot price an operation.
#[must_use]
pub fn start(operations: u64, law: &Erosion, assumed: &StartAssumption) -> Option<(Estimate, Estimate)> {
    // bridging and not by turns; with an equalizer winding they are alike
    let priced = |current: f64| {
        let [a, b] = [true, false].map(|bridging| law.shares(current * law.rated_a, 1.0, bridging));
        let (a, b) = (a?, b?);
        Some([0, 1, 2].map(|i| f64::midpoint(a[i], b[i])))
    };
    let least = priced(assumed.current.low)?.into_iter().fold(f64::INFINITY, f64::min);
    let [_, likely, _] = priced(assumed.current.likely)?;
    let most = priced(assumed.current.high)?.into_iter().fold(0.0, f64::max);
    #[allow(clippy::cast_precision_loss, reason = "counts of operations")]
    let n = operations as f64;
    let of = |share: Estimate| Estimate {
        low: n * share.low * least,
        likely: n * share.likely * likely,
        high: n * share.high * most,
    };
    Some((of(assumed.worst_contact), of(Estimate { low: 0.5, likely: 0.5, high: 0.5 })))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hundred_thousand_operations_at_rated_current_wear_out_the_fingers() {
        let full = Estimate { low: 1.0, likely: 1.0, high: 1.0 };
        let assumed = StartAssumption { current: full, ..StartAssumption::default() };
        let (contact, finger) = start(100_000, &Erosion::common(219.0), &assumed).unwrap();
        assert!((finger.low - 1.0).abs() < 1e-9 && (finger.high - 1.0).abs() < 1e-9, "half of them each");
        assert!((contact.low - 2.0 / 9.0).abs() < 1e-9);
        assert!((contact.likely - 0.5).abs() < 1e-9 && (contact.high - 1.0).abs() < 1e-9);
    }

    #[test]
    fn the_range_holds_the_likely_figure_and_is_wide() {
        let law = Erosion::common(219.0);
        let (contact, finger) = start(60_000, &law, &StartAssumption::default()).unwrap();
        for e in [contact, finger] {
            assert!(e.low < e.likely && e.likely < e.high, "{e:?}");
        }
        assert!(contact.high > 4.0 * contact.low);
        assert_eq!(start(0, &law, &StartAssumption::default()).unwrap().0, Estimate::default());
        assert_eq!(start(1, &Erosion::common(0.0), &StartAssumption::default()), None);
    }
}
