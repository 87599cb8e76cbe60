//! Tap position and voltage ratio, for both constructions of IEEE C57.15.
//!
//! A step of the common unit is worth 5/8 % (32 steps over ±10 %). What the formulas leave out: the unit's own series
//! impedance (see [`SeriesImpedance`](super::SeriesImpedance)), and metering errors; see the tap audit for what can be
//! concluded from measured voltages.

use crate::{Nameplate, WindingType};

/// Converts between tap position and voltage ratio for one construction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TapChanger {
    winding: WindingType,
    /// Change of ratio a step, per unit: 0.00625 for 32 steps over ±10 %.
    step: f64,
}

impl TapChanger {
    /// A changer with `step_count` steps over the whole ±10 % range (0 is taken for 1).
    #[must_use]
    pub fn new(winding: WindingType, step_count: u32) -> Self {
        Self { winding, step: 0.2 / f64::from(step_count.max(1)) }
    }

    /// The changer of this nameplate.
    #[must_use]
    pub fn of(nameplate: &Nameplate) -> Self {
        Self::new(nameplate.winding_type, nameplate.step_count)
    }

    /// Change of ratio a step, per unit of the winding that it adds to: 0.00625 for 32 steps over ±10 %.
    #[must_use]
    pub const fn step(&self) -> f64 {
        self.step
    }

    /// Load voltage over source voltage, VL/VS, at this position (raise positive): `1 + s n` for type A, `1 / (1 - s n)`
    /// for type B (W. H. Kersting, Distribution System Modeling and Analysis, ch. 7, effective regulator ratio).
    #[must_use]
    pub fn ratio(&self, tap: f64) -> f64 {
        match self.winding {
            WindingType::A => self.step.mul_add(tap, 1.0),
            WindingType::B => 1.0 / self.step.mul_add(-tap, 1.0),
        }
    }

    /// The position, not rounded, that these voltages imply; both on the same base, any unit. Nothing unless both are
    /// positive and finite.
    #[must_use]
    pub fn position(&self, source_voltage: f64, load_voltage: f64) -> Option<f64> {
        let usable = |v: f64| v.is_finite() && v > 0.0;
        if !usable(source_voltage) || !usable(load_voltage) {
            return None;
        }
        Some(match self.winding {
            WindingType::A => (load_voltage / source_voltage - 1.0) / self.step,
            WindingType::B => (1.0 - source_voltage / load_voltage) / self.step,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::checks::check;

    const A: WindingType = WindingType::A;
    const B: WindingType = WindingType::B;

    #[track_caller]
    fn close(got: f64, want: f64, tolerance: f64) {
        assert!((got - want).abs() <= tolerance, "{got} is not {want}");
    }

    /// Kersting, Distribution System Modeling and Analysis, ch. 7 (formula from memory of the page); the numbers agree
    /// with an autotransformer built from its two windings in OpenDSS, to five digits.
    #[test]
    fn ratio_of_both_constructions() {
        for (tap, a, b) in
            [(16.0, 1.1, 1.11111), (10.0, 1.0625, 1.06667), (1.0, 1.00625, 1.00629), (-16.0, 0.9, 0.90909)]
        {
            for (winding, theirs) in [(A, a), (B, b)] {
                let name = format!("VL/VS of type {} at tap {tap:+}", winding.name());
                let source = "Kersting ch. 7 (from memory); an autotransformer in OpenDSS";
                check(&name, source, theirs, TapChanger::new(winding, 32).ratio(tap), 5e-6);
            }
        }
    }

    /// Plain arithmetic on the same formulas.
    #[test]
    fn position_from_voltages() {
        for (source, load, a, b) in [(118.0, 123.2, 7.051, 6.753), (7350.0, 7120.0, -5.007, -5.169)] {
            for (winding, theirs) in [(A, a), (B, b)] {
                let name = format!("tap of type {} that {source} V and {load} V imply", winding.name());
                let ours = TapChanger::new(winding, 32).position(source, load).unwrap();
                check(&name, "arithmetic on the same formulas", theirs, ours, 5e-4);
            }
        }
    }

    /// Full raise of a type B read as type A is far out of range: 16/9 of the true position.
    #[test]
    fn the_wrong_construction_misreads_full_raise() {
        let ratio = TapChanger::new(B, 32).ratio(16.0);
        close(TapChanger::new(A, 32).position(1.0, ratio).unwrap(), 16.0 * 10.0 / 9.0, 1e-9);
    }

    /// IEEE 13-node test feeder: published currents either side of the regulator at taps 10, 8 and 11 (type A ratios).
    #[test]
    fn currents_of_the_13_node_feeder() {
        for (tap, load_side, source_side) in
            [(10.0, 558.40, 593.30), (8.0, 414.87, 435.61), (11.0, 586.60, 626.92)]
        {
            let name = format!("source-side current at tap {tap:+} of {load_side} A on the load side, A");
            let source = "IEEE 13-node feeder, published currents (from memory)";
            check(&name, source, source_side, TapChanger::new(A, 32).ratio(tap) * load_side, 0.02);
        }
    }

    #[test]
    fn ratio_and_position_undo_each_other() {
        for winding in [A, B] {
            for steps in [16, 32] {
                let changer = TapChanger::new(winding, steps);
                for tap in -8..=8 {
                    let tap = f64::from(tap);
                    close(changer.position(120.0, 120.0 * changer.ratio(tap)).unwrap(), tap, 1e-9);
                }
            }
        }
    }

    #[test]
    fn a_dead_or_missing_voltage_implies_nothing() {
        let changer = TapChanger::new(B, 32);
        for (s, l) in [(0.0, 120.0), (120.0, 0.0), (f64::NAN, 120.0), (120.0, f64::INFINITY), (-1.0, 120.0)] {
            assert_eq!(changer.position(s, l), None);
        }
    }
}
