//! The line-drop compensator: from the voltage at the regulator to the voltage at a point down the line.

/// Settings of a line-drop compensator.
///
/// The drop, in volts on the secondary base, that it models at rated CT primary current:
/// `R' + jX' = (Rline + jXline) x CTprimary / NPT` (W. H. Kersting, Distribution System Modeling and Analysis, ch. 7).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Compensator {
    /// Resistive setting, V.
    pub resistance_v: f64,
    /// Reactive setting, V.
    pub reactance_v: f64,
}

/// Current in the regulator relative to its own load voltage, per unit of the CT's rated primary current; positive from
/// source to load.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct PerUnitCurrent {
    /// In phase with the voltage: carries real power.
    pub in_phase: f64,
    /// Lagging by a quarter turn: positive for a lagging load.
    pub lagging: f64,
}

impl Compensator {
    /// No compensation.
    pub const OFF: Self = Self { resistance_v: 0.0, reactance_v: 0.0 };

    /// The settings for a line of this impedance (ohms), potential transformer ratio and CT primary rating (amperes).
    #[must_use]
    pub fn for_line(resistance_ohm: f64, reactance_ohm: f64, pt_ratio: f64, ct_primary_a: f64) -> Self {
        let volts_per_ohm = ct_primary_a / pt_ratio;
        Self { resistance_v: resistance_ohm * volts_per_ohm, reactance_v: reactance_ohm * volts_per_ohm }
    }

    /// The line impedance, ohms, that these settings stand for: resistance and reactance.
    #[must_use]
    pub fn line_ohms(&self, pt_ratio: f64, ct_primary_a: f64) -> (f64, f64) {
        let ohms_per_volt = pt_ratio / ct_primary_a;
        (self.resistance_v * ohms_per_volt, self.reactance_v * ohms_per_volt)
    }

    /// The voltage that the control regulates, V on the secondary base: `|V - (R' + jX') I|`, with the voltage as reference
    /// and the current of the load side out of the regulator.
    #[must_use]
    #[inline]
    pub fn relay_voltage(&self, voltage_v: f64, current: PerUnitCurrent) -> f64 {
        if *self == Self::OFF {
            return voltage_v;
        }
        let (r, x) = (self.resistance_v, self.reactance_v);
        let (p, q) = (current.in_phase, current.lagging);
        // (r + jx)(p - jq)
        let in_phase = voltage_v - x.mul_add(q, r * p);
        let quadrature = r.mul_add(q, -(x * p));
        in_phase.mul_add(in_phase, quadrature * quadrature).sqrt()
    }
}

impl PerUnitCurrent {
    /// From a magnitude (per unit of the CT's primary rating) and the angle in degrees by which it lags the voltage.
    #[must_use]
    pub fn polar(magnitude: f64, lagging_degrees: f64) -> Self {
        let (sin, cos) = lagging_degrees.to_radians().sin_cos();
        Self { in_phase: magnitude * cos, lagging: magnitude * sin }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn close(got: f64, want: f64, tolerance: f64) {
        assert!((got - want).abs() <= tolerance, "{got} is not {want}");
    }

    /// Current of a three-phase load of this kVA at 0.9 lagging, per unit of the CT primary.
    fn load(kva: f64, kv: f64, ct_primary_a: f64) -> PerUnitCurrent {
        PerUnitCurrent::polar(kva / (3.0_f64.sqrt() * kv) / ct_primary_a, 0.9_f64.acos().to_degrees())
    }

    /// Kersting ch. 7, compensator settings example (numbers recomputed, source from memory): 0.3 + j0.9 ohm, PT 20, CT 700:5.
    #[test]
    fn settings_for_a_line() {
        let settings = Compensator::for_line(0.3, 0.9, 20.0, 700.0);
        close(settings.resistance_v, 10.5, 1e-9);
        close(settings.reactance_v, 31.5, 1e-9);
        // The same in ohms of a 5 A secondary.
        close(settings.resistance_v / 5.0, 2.1, 1e-9);
        close(settings.reactance_v / 5.0, 6.3, 1e-9);
    }

    /// Kersting ch. 7, relay voltage example: 2500 kVA at 0.9 lagging, 4.16 kV. The secondary voltage is the true
    /// 4160/(sqrt 3 x 20) = 120.089 V; a flat 120 V gives 109.148 V instead.
    #[test]
    fn relay_voltage_of_the_textbook_example() {
        let settings = Compensator { resistance_v: 10.5, reactance_v: 31.5 };
        let current = load(2500.0, 4.16, 700.0);
        close(settings.relay_voltage(4160.0 / 3.0_f64.sqrt() / 20.0, current), 109.2365, 1e-3);
        close(settings.relay_voltage(120.0, current), 109.148, 1e-3);
    }

    /// Second worked example by the same method, numbers by plain arithmetic: 6000 kVA, 12.47 kV, PT 60, CT 300 A.
    #[test]
    fn relay_voltage_of_a_second_example() {
        let settings = Compensator { resistance_v: 6.0, reactance_v: 9.0 };
        let relay = settings.relay_voltage(12_470.0 / 3.0_f64.sqrt() / 60.0, load(6000.0, 12.47, 300.0));
        close(relay, 111.475, 1e-3);
        close((119.0 - relay) / 0.75, 10.033, 2e-3);
    }

    /// IEEE 13-node test feeder, phase A with the published tap, as solved by OpenDSS: 127.568 V and 558.53 A at -28.57
    /// degrees against the voltage at about 0 (unity at the source: the voltage angle is taken as zero).
    #[test]
    fn relay_voltage_of_the_13_node_feeder() {
        let settings = Compensator { resistance_v: 3.0, reactance_v: 9.0 };
        close(settings.relay_voltage(127.568, PerUnitCurrent::polar(558.53 / 700.0, 28.57)), 122.14, 0.01);
    }

    /// IEEE test feeders: 13-node 3 + j9 V and 123-node head 3 + j7.5 V at PT 20, CT 700.
    #[test]
    fn line_ohms_behind_settings() {
        for (r, x, ohm_r, ohm_x) in [(3.0, 9.0, 0.0857, 0.2571), (3.0, 7.5, 0.0857, 0.2143)] {
            let (got_r, got_x) = Compensator { resistance_v: r, reactance_v: x }.line_ohms(20.0, 700.0);
            close(got_r, ohm_r, 5e-5);
            close(got_x, ohm_x, 5e-5);
        }
    }

    #[test]
    fn no_compensation_leaves_the_voltage_alone() {
        close(Compensator::OFF.relay_voltage(121.3, PerUnitCurrent::polar(1.2, 30.0)), 121.3, 0.0);
    }
}
