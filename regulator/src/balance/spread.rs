//! Tap spread: the largest difference of tap between the regulators of a bank.

use crate::Phase;

/// The tap spread of a bank at one instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// Highest tap and where it is.
    pub highest: (Phase, f64),
    /// Lowest tap and where it is.
    pub lowest: (Phase, f64),
}

impl Spread {
    /// Of these taps, one of each regulator; nothing of fewer than two.
    #[must_use]
    pub fn of(taps: &[(Phase, f64)]) -> Option<Self> {
        if taps.len() < 2 {
            return None;
        }
        let highest = taps.iter().copied().max_by(|a, b| a.1.total_cmp(&b.1))?;
        let lowest = taps.iter().copied().min_by(|a, b| a.1.total_cmp(&b.1))?;
        Some(Self { highest, lowest })
    }

    /// The one of three that is out of step where the other two are equal; nothing where all agree or all differ.
    #[must_use]
    pub fn odd_one(taps: &[(Phase, f64)]) -> Option<Phase> {
        let [a, b, c] = taps else { return None };
        let same = |x: &(Phase, f64), y: &(Phase, f64)| (x.1 - y.1).abs() < 0.5;
        match (same(a, b), same(b, c), same(c, a)) {
            (true, false, false) => Some(c.0),
            (false, true, false) => Some(a.0),
            (false, false, true) => Some(b.0),
            _ => None,
        }
    }

    /// The spread, taps.
    #[must_use]
    pub fn taps(&self) -> f64 {
        self.highest.1 - self.lowest.1
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::checks::check;

    /// Published taps of the IEEE test feeders: spreads that are normal where each phase has its own control.
    #[test]
    fn spreads_of_the_test_feeders() {
        let source = "IEEE PES radial test feeders, published taps";
        for (feeder, taps, spread) in
            [("13-node", [10.0, 8.0, 11.0], 3.0), ("123-node 160-67", [8.0, 1.0, 5.0], 7.0)]
        {
            let of: Vec<_> = [Phase::A, Phase::B, Phase::C].into_iter().zip(taps).collect();
            let got = Spread::of(&of).unwrap();
            check(&format!("Tap spread, {feeder}"), source, spread, got.taps(), 0.0);
            assert_eq!(got.lowest.0, Phase::B);
        }
    }

    #[test]
    fn the_one_out_of_step_is_named_where_there_is_one() {
        let odd = |a, b, c| Spread::odd_one(&[(Phase::A, a), (Phase::B, b), (Phase::C, c)]);
        assert_eq!(
            (odd(3.0, 3.0, 5.0), odd(1.0, 3.0, 3.0), odd(3.0, -3.0, 3.0)),
            (Some(Phase::C), Some(Phase::A), Some(Phase::B))
        );
        assert_eq!((odd(3.0, 3.0, 3.0), odd(1.0, 2.0, 3.0)), (None, None));
        assert_eq!(Spread::odd_one(&[(Phase::A, 1.0), (Phase::B, 2.0)]), None);
    }

    #[test]
    fn one_regulator_has_no_spread() {
        assert_eq!(Spread::of(&[(Phase::A, 5.0)]), None);
    }
}
