//! A stand-in for contact wear: the sum over all operations of a power of the current that was switched.
//!
//! Published laws of erosion per operation go as `I^n` with `n` from 1 (charge through the arc: R. Holm, Electric Contacts, 4th ed. 1967)
//! over 1.6 (H. W. Turner and C. Turner 1968, arcs of half a cycle) to 2 (the sum of squares that is usual for circuit-breakers); all from memory. So the
//! middle one is shown with the outer two as bounds. A changer of the reactor type switches about half of the line current and a circulating
//! current besides; the line current stands for it here, which is good for comparing settings, not for an absolute life.

use serde::Serialize;

use super::replay::Replay;
use super::track::Track;

/// Wear in operations at rated CT primary current.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct Wear {
    /// With exponent 1.
    pub charge: f64,
    /// With exponent 1.6.
    pub usual: f64,
    /// With exponent 2.
    pub square: f64,
    /// Operations whose current was not known; they are in none of the sums.
    pub unknown: u64,
}

impl Wear {
    /// Adds `operations` at this current, per unit of rated CT primary current.
    pub fn add(&mut self, current: f64, operations: f64) {
        self.charge += operations * current;
        self.usual += operations * current.powf(1.6);
        self.square += operations * current * current;
    }

    pub(super) fn of(replay: &Replay<'_>, track: &Track) -> Self {
        let mut wear = Self::default();
        let stretches = &replay.recording.stretches;
        let mut place = 0;
        for (m, steps) in track.steps() {
            while stretches[place].end <= m.sample {
                place += 1;
            }
            if stretches[place].current_known {
                let ratio = replay.model.changer.ratio(f64::from(m.tap));
                let current = f64::from(replay.in_phase[m.sample]).hypot(f64::from(replay.lagging[m.sample]));
                wear.add(current * replay.model.current_factor(ratio), f64::from(steps.unsigned_abs()));
            } else {
                wear.unknown += u64::from(steps.unsigned_abs());
            }
        }
        wear
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against one operation at 200 A: the ratios follow from the laws by plain arithmetic.
    #[test]
    fn erosion_by_current_under_three_laws() {
        for (amperes, n1, n16, n2) in [(300.0, 1.5, 1.913, 2.25), (50.0, 0.25, 0.1088, 0.0625)] {
            let mut wear = Wear::default();
            wear.add(amperes / 200.0, 1.0);
            println!(
                "CHECK | erosion of an operation at {amperes} A against 200 A, n = 1, 1.6, 2 | Holm 1967; Turner and Turner 1968 (from memory) | {n1}, {n16}, {n2} | {:.3}, {:.3}, {:.4}",
                wear.charge, wear.usual, wear.square
            );
            let close = |got: f64, want: f64| assert!((got - want).abs() < 5e-4, "{got} is not {want}");
            close(wear.charge, n1);
            close(wear.usual, n16);
            close(wear.square, n2);
        }
    }
}
