//! The line-drop compensator: from the voltage at the regulator to the voltage at a point down the line.
//!
//! [`Compensator`] and [`PerUnitCurrent`] are what the control model computes with. Around them: [`Instruments`], the control's
//! two instrument transformers; [`Impedance`] and [`Section`], the line from its conductor data; [`TapsWanted`], how far a
//! relay voltage is from where it should be; and [`worked`], the same computations with every step shown.
//!
//! Source of all formulas: W. H. Kersting, Distribution System Modeling and Analysis, ch. 7 (from memory of the chapter; the
//! numbers of its examples are checked). One restriction runs through everything: the compensator models one impedance that
//! carries the whole current. A line with load along it has no such impedance; its settings are then chosen from two
//! points of a load-flow study, which is not done here.

mod instruments;
mod line;
mod taps_wanted;
pub mod worked;

pub use instruments::{CT_SECONDARY_LARGE_A, CT_SECONDARY_SMALL_A, Instruments, Unusable};
pub use line::{Impedance, LengthUnit, Section};
pub use taps_wanted::{Aim, Rounding, TapsWanted};

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

/// Which way the current runs, and so which side the control holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Flow {
    /// From source to load: the load side is held, with the forward settings.
    #[default]
    Forward,
    /// From load to source: the source side is held, with the reverse settings, by a control that is set to do so.
    Reverse,
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
        // (r + jx)(p - jq). Without fused operations, which are a call each on a processor that is not known to have them.
        let in_phase = voltage_v - (r * p + x * q);
        let quadrature = r * q - x * p;
        (in_phase * in_phase + quadrature * quadrature).sqrt()
    }
}

impl Compensator {
    /// The voltage that the control regulates while power flows this way: of the load side, or in reverse of the source side,
    /// from which the current then runs out. `current` is positive from source to load in both cases.
    #[must_use]
    pub fn relay_voltage_for(&self, flow: Flow, held_side_v: f64, current: PerUnitCurrent) -> f64 {
        match flow {
            Flow::Forward => self.relay_voltage(held_side_v, current),
            Flow::Reverse => self.relay_voltage(held_side_v, current.reversed()),
        }
    }

    /// The voltage at the regulator, V on the secondary base, at which the relay sees `relay_v` with this current: the
    /// inverse of [`Compensator::relay_voltage`]. Nothing where no voltage does, because the quadrature drop alone is more.
    #[must_use]
    pub fn held_voltage(&self, relay_v: f64, current: PerUnitCurrent) -> Option<f64> {
        let (in_phase, quadrature) = self.drop_v(current);
        let square = relay_v.mul_add(relay_v, -(quadrature * quadrature));
        (square >= 0.0).then(|| in_phase + square.sqrt())
    }

    /// The compensator's own voltage, V: what it takes off in phase with the regulated voltage, and a quarter turn ahead.
    #[must_use]
    pub fn drop_v(&self, current: PerUnitCurrent) -> (f64, f64) {
        let (r, x) = (self.resistance_v, self.reactance_v);
        let (p, q) = (current.in_phase, current.lagging);
        (x.mul_add(q, r * p), x.mul_add(p, -(r * q)))
    }
}

impl PerUnitCurrent {
    /// The same current, seen from the other side.
    #[must_use]
    pub fn reversed(self) -> Self {
        Self { in_phase: -self.in_phase, lagging: -self.lagging }
    }

    /// From a magnitude (per unit of the CT's primary rating) and the angle in degrees by which it lags the voltage.
    #[must_use]
    pub fn polar(magnitude: f64, lagging_degrees: f64) -> Self {
        let (sin, cos) = lagging_degrees.to_radians().sin_cos();
        Self { in_phase: magnitude * cos, lagging: magnitude * sin }
    }
}

#[cfg(test)]
mod tests;
