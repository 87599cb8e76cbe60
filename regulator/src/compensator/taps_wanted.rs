//! How many taps bring a relay voltage to where it should be.
//!
//! The count assumes that a tap moves the relay voltage by one step of the nominal voltage (0.75 V on 120 V) and that current
//! and source voltage stay as they are. Both are approximations: the step grows with the tap, and a load of constant power
//! draws less at a higher voltage. The answer is then off by a tap or so for a dozen taps.
//!
//! Rounding decides the answer. Kersting's textbook example takes the nearest tap (13.02 is 13) and so may stop a hair outside
//! the band; a control taps until the voltage is in band, which is upwards (14).

use crate::control::Regulation;

/// Where the relay voltage is to be brought.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Aim {
    /// Just into the band, from the side it is on; no taps when it is in band already.
    BandEdge,
    /// To the set voltage.
    Centre,
}

/// What becomes of a fraction of a tap.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rounding {
    /// To the nearest whole tap, as in textbooks.
    Nearest,
    /// Away from zero, as a control does that taps until it is there.
    Upwards,
}

/// Taps that bring a relay voltage to its aim; raise positive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TapsWanted {
    /// The voltage aimed at, V.
    pub aim_v: f64,
    /// As computed, with its fraction.
    pub exact: f64,
}

impl TapsWanted {
    /// From this relay voltage, V, with steps of so many volts on the same base. Nothing unless the step is more than zero
    /// and both voltages are finite.
    #[must_use]
    pub fn between(relay_v: f64, aim_v: f64, step_v: f64) -> Option<Self> {
        let usable = relay_v.is_finite() && aim_v.is_finite() && step_v > 0.0;
        usable.then(|| Self { aim_v, exact: (aim_v - relay_v) / step_v })
    }

    /// From this relay voltage to the band of a control, or to its centre.
    #[must_use]
    pub fn to(aim: Aim, relay_v: f64, regulation: &Regulation, step_v: f64) -> Option<Self> {
        let half = 0.5 * regulation.bandwidth_v;
        let (low, high) = (regulation.set_voltage_v - half, regulation.set_voltage_v + half);
        let aim_v = match aim {
            Aim::Centre => regulation.set_voltage_v,
            Aim::BandEdge if low > high => return None,
            Aim::BandEdge => relay_v.clamp(low, high),
        };
        Self::between(relay_v, aim_v, step_v)
    }

    /// Whole taps.
    #[must_use]
    #[allow(clippy::cast_possible_truncation, reason = "a cast from a float saturates")]
    pub fn whole(&self, rounding: Rounding) -> i32 {
        // a count that is whole but for the last digits of the arithmetic is whole
        let exact = (self.exact * 1e9).round() / 1e9;
        match rounding {
            Rounding::Nearest => exact.round() as i32,
            Rounding::Upwards => (exact.signum() * exact.abs().ceil()) as i32,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn regulation(set_voltage_v: f64, bandwidth_v: f64) -> Regulation {
        Regulation { set_voltage_v, bandwidth_v, delay_s: 30.0, compensator: super::super::Compensator::OFF }
    }

    #[test]
    fn in_band_no_tap_is_wanted_to_the_edge_and_some_to_the_centre() {
        let to = |aim, relay| TapsWanted::to(aim, relay, &regulation(122.0, 2.0), 0.75).unwrap();
        assert_eq!(to(Aim::BandEdge, 121.2).whole(Rounding::Upwards), 0);
        assert_eq!(to(Aim::Centre, 121.2).whole(Rounding::Nearest), 1);
        assert_eq!(to(Aim::BandEdge, 124.0).whole(Rounding::Upwards), -2, "1 V too high is 1.33 taps");
        assert_eq!(to(Aim::BandEdge, 124.0).whole(Rounding::Nearest), -1);
    }

    #[test]
    fn whole_counts_are_not_rounded_up_by_arithmetic() {
        let three = TapsWanted::between(120.0 - 3.0 * 0.75, 120.0, 0.75).unwrap();
        assert_eq!(three.whole(Rounding::Upwards), 3);
        let tenths = TapsWanted::between(0.0, 0.3, 0.1).unwrap();
        assert_eq!(tenths.whole(Rounding::Upwards), 3);
    }

    #[test]
    fn nonsense_wants_nothing() {
        assert_eq!(TapsWanted::between(f64::NAN, 120.0, 0.75), None);
        assert_eq!(TapsWanted::between(119.0, 120.0, 0.0), None);
        assert_eq!(TapsWanted::to(Aim::BandEdge, 119.0, &regulation(120.0, -1.0), 0.75), None);
    }
}
