//! The thirty degrees between the line current that a delta regulator's CT sees and the line-to-line voltage that its PT sees.
//!
//! With a balanced load of unity power factor and rotation ABC, the voltage from A to B leads phase A's own by 30°, so the current
//! of line A lags what a regulator connected from A to B measures: a lagging regulator. One connected from C to B measures a
//! voltage that lags phase C's own by 30°: its current leads. In an open delta one of each; in a closed delta all three are alike.
//! A compensator or a power reading that does not know the shift is wrong by it: at unity power factor it sees 0.866.

use crate::compensator::PerUnitCurrent;

/// The order in which the phases reach their peak.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Rotation {
    /// A, then B, then C.
    #[default]
    Abc,
    /// A, then C, then B.
    Acb,
}

/// How the measured current lies to the measured voltage when the load has unity power factor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shift {
    /// Connected line to neutral: not shifted.
    None,
    /// The current lags by 30°.
    Lagging,
    /// The current leads by 30°.
    Leading,
}

impl Shift {
    /// Of a regulator whose series winding is in the line of phase `from` and whose shunt winding ends at phase `to` (0 is A, 1 is
    /// B, 2 is C). Nothing if those are not two phases.
    #[must_use]
    pub fn of(from: usize, to: usize, rotation: Rotation) -> Option<Self> {
        if from > 2 || to > 2 || from == to {
            return None;
        }
        let onward = to == (from + 1) % 3;
        Some(if onward == (rotation == Rotation::Abc) { Self::Lagging } else { Self::Leading })
    }

    /// Degrees by which the measured current lags at unity power factor.
    #[must_use]
    pub const fn lagging_degrees(self) -> f64 {
        match self {
            Self::None => 0.0,
            Self::Lagging => 30.0,
            Self::Leading => -30.0,
        }
    }

    /// The current relative to the phase's own voltage (whose angle is the load's), from the one measured relative to the
    /// line-to-line voltage.
    #[must_use]
    pub fn removed(self, measured: PerUnitCurrent) -> PerUnitCurrent {
        turned(measured, -self.lagging_degrees())
    }

    /// What is measured relative to the line-to-line voltage, of a current relative to the phase's own voltage.
    #[must_use]
    pub fn added(self, current: PerUnitCurrent) -> PerUnitCurrent {
        turned(current, self.lagging_degrees())
    }
}

/// Turned back (to lag more) by so many degrees.
fn turned(current: PerUnitCurrent, lagging_degrees: f64) -> PerUnitCurrent {
    let (sin, cos) = lagging_degrees.to_radians().sin_cos();
    PerUnitCurrent {
        in_phase: current.in_phase.mul_add(cos, -(current.lagging * sin)),
        lagging: current.lagging.mul_add(cos, current.in_phase * sin),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{checks::check, delta::Phasor};

    /// The shift as phasors give it: unity power factor, line current in phase with its own line-to-neutral voltage.
    fn by_phasors(from: usize, to: usize, rotation: Rotation) -> f64 {
        let [a, b, c] = Phasor::balanced(1.0, 0.0);
        let phases = if rotation == Rotation::Abc { [a, b, c] } else { [a, c, b] };
        let lag = (phases[from] - phases[to]).degrees() - phases[from].degrees();
        let lag = if lag.abs() > 180.0 { lag - 360.0 * lag.signum() } else { lag };
        (lag * 1e6).round() / 1e6
    }

    #[test]
    fn the_sign_of_every_pair_agrees_with_phasors() {
        for rotation in [Rotation::Abc, Rotation::Acb] {
            for (from, to) in [(0, 1), (1, 2), (2, 0), (1, 0), (2, 1), (0, 2)] {
                let ours = Shift::of(from, to, rotation).unwrap().lagging_degrees();
                let name =
                    format!("lag of line {from}'s current behind voltage {from}-{to}, {rotation:?}, degrees");
                check(&name, "phasor arithmetic", by_phasors(from, to, rotation), ours, 1e-9);
            }
        }
        assert_eq!(Shift::of(1, 1, Rotation::Abc), None);
    }

    /// The two regulators of an open delta read as the two wattmeters of a three-wire circuit: each is wrong by itself, together
    /// they are right (Blondel; two-wattmeter method, from memory).
    #[test]
    fn two_wattmeters_add_up() {
        for lagging in [0.0_f64, 25.0, 60.0, -40.0] {
            let load = PerUnitCurrent::polar(1.0, lagging);
            let ab = Shift::of(0, 1, Rotation::Abc).unwrap().added(load);
            let cb = Shift::of(2, 1, Rotation::Abc).unwrap().added(load);
            // line-to-line voltage is sqrt 3 times that to neutral; three phases carry three times one phase's power
            let both = 3.0_f64.sqrt() * (ab.in_phase + cb.in_phase);
            check(
                &format!("power of both open-delta regulators, load at {lagging} degrees"),
                "two-wattmeter method",
                (3e6 * lagging.to_radians().cos()).round() / 1e6,
                both,
                1e-6,
            );
        }
        let seen = Shift::Lagging.added(PerUnitCurrent { in_phase: 1.0, lagging: 0.0 });
        check("power factor seen at unity", "cos 30 degrees", 0.866_025, seen.in_phase, 1e-6);
        let back = Shift::Lagging.removed(seen);
        assert!((back.in_phase - 1.0).abs() < 1e-12 && back.lagging.abs() < 1e-12);
    }
}
