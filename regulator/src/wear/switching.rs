//! How much current a finger breaks.
//!
//! Standing together, the fingers share the load current half and half; that half is broken by the finger that leaves. Added
//! to it is the current that a section's voltage drives round through both fingers and the autotransformer, a quarter turn behind
//! that voltage. It is often made half of rated current for a bridge without equalizer winding; with one, half as much flows
//! in bridging and non-bridging positions alike (common practice, from memory). Load of unity power factor is a quarter turn
//! from it: the two add as sides of a right angle. Other power factors lie between their difference and their sum
//! ([`Switching::bounds_a`]). Circulating current is taken as proportional to the voltage.

/// What is assumed of the current that circulates.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Switching {
    /// Current circulating through the fingers of a bridge at rated voltage, per unit of rated current, without equalizer
    /// winding (0 to 1).
    pub circulating: f64,
    /// Whether there is an equalizer winding.
    pub equalizer: bool,
}

impl Default for Switching {
    /// Half of rated current, halved again by an equalizer winding.
    fn default() -> Self {
        Self { circulating: 0.5, equalizer: true }
    }
}

impl Switching {
    /// Load current's and circulating current's part of what is broken, A.
    fn parts_a(&self, load_a: f64, rated_a: f64, voltage_pu: f64, from_bridging: bool) -> (f64, f64) {
        let share = match (self.equalizer, from_bridging) {
            (true, _) => 0.5 * self.circulating,
            (false, true) => self.circulating,
            (false, false) => 0.0,
        };
        (0.5 * load_a.abs(), share * rated_a * voltage_pu.max(0.0))
    }

    /// The current broken, A, for a load current (A), the unit's rated current (A) and the voltage per unit of rated; at a
    /// power factor near unity.
    #[must_use]
    pub fn broken_a(&self, load_a: f64, rated_a: f64, voltage_pu: f64, from_bridging: bool) -> f64 {
        let (load, circulating) = self.parts_a(load_a, rated_a, voltage_pu, from_bridging);
        load.hypot(circulating)
    }

    /// The least and the most that it can be, whatever the power factor, A.
    #[must_use]
    pub fn bounds_a(&self, load_a: f64, rated_a: f64, voltage_pu: f64, from_bridging: bool) -> (f64, f64) {
        let (load, circulating) = self.parts_a(load_a, rated_a, voltage_pu, from_bridging);
        ((load - circulating).abs(), load + circulating)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::delta::Phasor;

    #[test]
    fn half_the_load_and_the_circulating_current() {
        let with = Switching::default();
        // 100 A and 0.25 x 200 A: sqrt(100^2 + 50^2)
        assert!((with.broken_a(200.0, 200.0, 1.0, true) - 111.803_398_9).abs() < 1e-6);
        assert!((with.broken_a(200.0, 200.0, 1.0, false) - 111.803_398_9).abs() < 1e-6);
        let without = Switching { equalizer: false, ..with };
        assert!((without.broken_a(200.0, 200.0, 1.0, false) - 100.0).abs() < 1e-12);
        assert!((without.broken_a(200.0, 200.0, 1.0, true) - 141.421_356_2).abs() < 1e-6);
        assert!((with.broken_a(0.0, 200.0, 0.5, true) - 25.0).abs() < 1e-12, "no load, half the voltage");
    }

    #[test]
    fn any_power_factor_lies_between_the_bounds() {
        let s = Switching::default();
        let (least, most) = s.bounds_a(150.0, 200.0, 1.0, true);
        for degrees in (-180..=180).step_by(15) {
            let finger = Phasor::polar(75.0, f64::from(degrees)) + Phasor::polar(50.0, -90.0);
            assert!(least - 1e-9 <= finger.magnitude() && finger.magnitude() <= most + 1e-9);
        }
        let unity = Phasor::polar(75.0, 0.0) + Phasor::polar(50.0, -90.0);
        assert!((unity.magnitude() - s.broken_a(150.0, 200.0, 1.0, true)).abs() < 1e-9);
    }
}
