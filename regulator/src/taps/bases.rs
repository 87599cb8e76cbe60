//! From the control's secondary values to the line's and back.
//!
//! Voltage: times the potential transformer's ratio. Current: times the current transformer's. A regulator's own current
//! transformer usually gives 0.2 A at its primary rating (common practice; the same value stands in the help text of OpenDSS's
//! regulator control), and that primary rating is the base of compensator settings.

use crate::{Nameplate, compensator::PerUnitCurrent};

/// Secondary current at the CT's primary rating, A.
pub const CT_SECONDARY_A: f64 = 0.2;

/// The bases of one regulator.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bases {
    pt_ratio: f64,
    ct_ratio: f64,
    secondary_base_v: f64,
}

impl Bases {
    /// Of this nameplate. Nothing unless both ratios and the voltage base are positive and finite.
    #[must_use]
    pub fn of(nameplate: &Nameplate) -> Option<Self> {
        let bases = Self {
            pt_ratio: nameplate.pt_ratio,
            ct_ratio: nameplate.ct_ratio,
            secondary_base_v: nameplate.voltage_base_v,
        };
        let usable = |x: f64| x.is_finite() && x > 0.0;
        let all = [bases.pt_ratio, bases.ct_ratio, bases.secondary_base_v];
        all.into_iter().all(usable).then_some(bases)
    }

    /// Line volts of a voltage on the control's base.
    #[must_use]
    pub fn primary_v(&self, secondary_v: f64) -> f64 {
        secondary_v * self.pt_ratio
    }

    /// Volts on the control's base of a line voltage.
    #[must_use]
    pub fn secondary_v(&self, primary_v: f64) -> f64 {
        primary_v / self.pt_ratio
    }

    /// A voltage on the control's base as it would be on a base of 120 V.
    #[must_use]
    pub fn on_120_v(&self, secondary_v: f64) -> f64 {
        secondary_v * 120.0 / self.secondary_base_v
    }

    /// Line amperes of a secondary current.
    #[must_use]
    pub fn primary_a(&self, secondary_a: f64) -> f64 {
        secondary_a * self.ct_ratio
    }

    /// Secondary amperes of a line current.
    #[must_use]
    pub fn secondary_a(&self, primary_a: f64) -> f64 {
        primary_a / self.ct_ratio
    }

    /// Primary rating of the CT, A: the base of compensator settings.
    #[must_use]
    pub fn ct_primary_a(&self) -> f64 {
        self.ct_ratio * CT_SECONDARY_A
    }

    /// Line kilowatts and kilovars through the regulator as a current relative to its own load voltage (V, on the control's base),
    /// per unit of the CT's primary rating. Nothing unless the voltage is positive and finite.
    #[must_use]
    pub fn current(&self, load_voltage_v: f64, real_kw: f64, reactive_kvar: f64) -> Option<PerUnitCurrent> {
        let kva_per_unit = self.primary_v(load_voltage_v) * self.ct_primary_a() / 1000.0;
        (kva_per_unit.is_finite() && kva_per_unit > 0.0).then(|| PerUnitCurrent {
            in_phase: real_kw / kva_per_unit,
            lagging: reactive_kvar / kva_per_unit,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::checks::check;

    /// The head of the IEEE 13-node feeder: PT 20, CT 700 A primary.
    fn bases() -> Bases {
        Bases::of(&Nameplate { pt_ratio: 20.0, ct_ratio: 3500.0, ..Nameplate::common() }).unwrap()
    }

    #[test]
    fn the_13_node_feeder_in_volts_and_amperes() {
        let source = "IEEE 13-node feeder, tap +10 (data file; voltage as OpenDSS solves it)";
        assert!((bases().ct_primary_a() - 700.0).abs() < 1e-9);
        let line = 4160.0 / 3.0_f64.sqrt() * 1.0625;
        check(
            "phase A behind the regulator on the 120 V base, V",
            source,
            127.568,
            bases().secondary_v(line),
            0.03,
        );
        assert!((bases().primary_v(bases().secondary_v(line)) - line).abs() < 1e-9);
        assert!((bases().primary_a(bases().secondary_a(558.4)) - 558.4).abs() < 1e-9);
    }

    /// Kersting ch. 7 (source from memory, numbers recomputed): 2500 kVA at 0.9 lagging on 4.16 kV, compensator current
    /// 2.4783 A of 5 A.
    #[test]
    fn power_becomes_current() {
        let volts = bases().secondary_v(4160.0 / 3.0_f64.sqrt());
        let third = 2500.0 / 3.0;
        let reactive = third * (1.0_f64 - 0.81).sqrt();
        let current = bases().current(volts, third * 0.9, reactive).unwrap();
        let magnitude = current.in_phase.hypot(current.lagging);
        check(
            "compensator current of the textbook example, A of 5",
            "Kersting ch. 7 (recomputed)",
            2.4783,
            magnitude * 5.0,
            1e-4,
        );
        assert_eq!(bases().current(0.0, 1.0, 1.0), None);
    }

    #[test]
    fn another_base_reads_as_on_120() {
        let bases = Bases::of(&Nameplate { voltage_base_v: 125.0, ..Nameplate::common() }).unwrap();
        assert!((bases.on_120_v(125.0) - 120.0).abs() < 1e-9);
        assert_eq!(Bases::of(&Nameplate { pt_ratio: 0.0, ..Nameplate::common() }), None);
    }
}
