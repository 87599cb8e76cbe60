//! The unit's own series impedance: small, but of the size of a tap when loaded.
//!
//! Load voltage = ratio x source voltage - I Z, so the ratio that two measured voltages imply is too low by the drop. The
//! impedance is tested and stated in percent, on one of two bases that differ by ten: the unit's own kVA, or the kVA of the
//! circuit (rated voltage x rated current). It is taken as the same at every tap, referred to the load side; in truth it is
//! least at neutral and differs between bridging and non-bridging positions, so an answer that leans on it should not claim
//! more than half of it as known (assumption).

use super::TapChanger;
use crate::compensator::PerUnitCurrent;

/// What the stated percentage is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ImpedanceBase {
    /// The regulator's own kVA.
    Regulator,
    /// Rated voltage times rated current.
    Circuit,
}

/// Series impedance per unit of the circuit: 0.01 drops 1 % of rated voltage at rated current.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct SeriesImpedance {
    /// Resistance, per unit.
    pub resistance: f64,
    /// Reactance, per unit.
    pub reactance: f64,
}

impl SeriesImpedance {
    /// None: the ideal unit.
    pub const NONE: Self = Self { resistance: 0.0, reactance: 0.0 };

    /// From a stated percentage, its base, and how reactance relates to resistance (X/R, not negative).
    #[must_use]
    pub fn from_percent(percent: f64, base: ImpedanceBase, x_over_r: f64) -> Self {
        let magnitude = match base {
            ImpedanceBase::Regulator => percent / 1000.0,
            ImpedanceBase::Circuit => percent / 100.0,
        };
        let resistance = magnitude / 1.0_f64.hypot(x_over_r);
        Self { resistance, reactance: resistance * x_over_r }
    }

    /// In ohms of the circuit at this rated voltage (V) and rated current (A): resistance and reactance.
    #[must_use]
    pub fn ohms(&self, rated_voltage_v: f64, rated_current_a: f64) -> (f64, f64) {
        let base = rated_voltage_v / rated_current_a;
        (self.resistance * base, self.reactance * base)
    }

    /// What the load side would show without the drop: |V + I Z|. Voltage in V, rated voltage on the same base, current per unit
    /// of rated and relative to the load voltage.
    #[must_use]
    pub fn undropped_v(&self, load_voltage_v: f64, rated_voltage_v: f64, current: PerUnitCurrent) -> f64 {
        let (p, q) = (current.in_phase, current.lagging);
        // (r + jx)(p - jq)
        let in_phase = self.resistance.mul_add(p, self.reactance * q);
        let quadrature = self.reactance.mul_add(p, -(self.resistance * q));
        (load_voltage_v + in_phase * rated_voltage_v).hypot(quadrature * rated_voltage_v)
    }

    /// The position, not rounded, that these voltages imply once the drop is allowed for. Nothing unless both voltages are
    /// positive and finite.
    #[must_use]
    pub fn position(
        &self,
        changer: &TapChanger,
        source_voltage_v: f64,
        load_voltage_v: f64,
        rated_voltage_v: f64,
        current: PerUnitCurrent,
    ) -> Option<f64> {
        changer.position(source_voltage_v, load_voltage_v)?;
        changer.position(source_voltage_v, self.undropped_v(load_voltage_v, rated_voltage_v, current))
    }

    /// The largest error, in taps, that ignoring this impedance can make at this current (per unit of rated), whatever the
    /// power factor.
    #[must_use]
    pub fn most_taps(&self, changer: &TapChanger, current: f64) -> f64 {
        self.resistance.hypot(self.reactance) * current.abs() / changer.step()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Nameplate, WindingType, checks::check};

    #[test]
    fn both_bases_say_the_same_impedance() {
        let own = SeriesImpedance::from_percent(5.0, ImpedanceBase::Regulator, 3.0);
        let circuit = SeriesImpedance::from_percent(0.5, ImpedanceBase::Circuit, 3.0);
        assert!((own.resistance - circuit.resistance).abs() < 1e-15);
        assert!((own.resistance.hypot(own.reactance) - 0.005).abs() < 1e-15);
        let (r, x) = own.ohms(7620.0, 219.0);
        check("0.5 % of 7620 V / 219 A, ohm", "arithmetic: 0.005 x 34.79", 0.173_97, r.hypot(x), 5e-6);
    }

    #[test]
    fn the_drop_at_rated_current_is_most_of_a_tap() {
        let changer = TapChanger::of(&Nameplate::common());
        let z = SeriesImpedance::from_percent(0.5, ImpedanceBase::Circuit, 0.0);
        check(
            "taps hidden by 0.5 % at rated current",
            "arithmetic: 0.5 / 0.625",
            0.8,
            z.most_taps(&changer, 1.0),
            1e-12,
        );
        // a resistance and a load of unity power factor: the whole drop is in phase
        let straight = TapChanger::new(WindingType::A, 32);
        let load = 120.0 * straight.ratio(4.0) - 0.6;
        let current = PerUnitCurrent { in_phase: 1.0, lagging: 0.0 };
        let naive = straight.position(120.0, load).unwrap();
        let ours = z.position(&straight, 120.0, load, 120.0, current).unwrap();
        check("tap implied with the drop ignored", "arithmetic: 4 - 0.6 / 0.75", 3.2, naive, 1e-9);
        check("tap implied with the drop allowed for", "arithmetic", 4.0, ours, 1e-9);
    }

    /// The load side is made by phasor arithmetic of its own, then the position must come back.
    #[test]
    fn the_position_comes_back_at_any_power_factor() {
        let changer = TapChanger::new(WindingType::B, 32);
        let z = SeriesImpedance::from_percent(0.6, ImpedanceBase::Circuit, 4.0);
        for tap in [-16.0, -3.0, 0.0, 7.0, 16.0] {
            for lagging in [-60.0_f64, 0.0, 30.0, 80.0] {
                let current = PerUnitCurrent::polar(0.9, lagging);
                let load: f64 = 121.0;
                let (re, im) = (0.9 * lagging.to_radians().cos(), -0.9 * lagging.to_radians().sin());
                let drop_re = 120.0 * (z.resistance * re - z.reactance * im);
                let drop_im = 120.0 * (z.resistance * im + z.reactance * re);
                let source = (load + drop_re).hypot(drop_im) / changer.ratio(tap);
                let back = z.position(&changer, source, load, 120.0, current).unwrap();
                assert!((back - tap).abs() < 1e-9, "{tap} {lagging} {back}");
            }
        }
        assert_eq!(z.position(&changer, 120.0, 0.0, 120.0, PerUnitCurrent::default()), None);
    }
}
