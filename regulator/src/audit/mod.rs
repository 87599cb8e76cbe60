//! Tap audit: the reported tap against the tap that the two voltages imply.
//!
//! Voltage transformers have errors of up to their accuracy class, per unit and nearly constant, on either side; 0.6 % on
//! both can look like two steps of 5/8 %. So a steady offset within what the classes allow proves nothing. What gives a
//! slipped report away is a *change* of the offset by a whole number of steps that stays, or an offset that the classes
//! cannot explain.
//!
//! [`TapAudit`] is streaming: it takes readings one by one and keeps a few hundred bytes. Readings beside an operation are
//! set aside (tap and voltages are not read at one instant), the rest are averaged over a quarter of an hour or up to the
//! next operation (`block`). A small Kalman filter follows the offset at no load and the unit's own series drop in
//! proportion to in-phase current (`reference`). A block that departs from it opens a suspicion, which later blocks bear
//! out or not by their likelihood ratio (`suspicion`; the step detection of E. S. Page, "Continuous inspection schemes",
//! Biometrika 41, 1954). Without a source voltage, its own or a neighbour's on the same bus (`neighbour`), only whether the load
//! voltage answers operations can be told (`response`).
//!
//! What it takes on trust: the winding type. With the wrong one the implied tap bends away by up to 1.8 steps towards full
//! raise or lower; in simulated months 5 of 100 such units were said to have slipped. A slip that comes and goes with high
//! taps points there.
//!
//! Classes: IEEE C57.13 (0.3, 0.6, 1.2 %) and IEC 61869-3 (0.5, 1.0 %), from memory.

mod block;
#[cfg(test)]
pub(crate) mod fleet;
mod history;
mod neighbour;
mod neutral;
mod reference;
mod response;
mod state;
mod suspicion;
mod verdict;

pub use history::{History, Point};
pub use neighbour::{Basis, Neighbour};
pub use neutral::Passages;
pub use state::TapAudit;
pub use verdict::{Verdict, Why};

use crate::{Nameplate, Quantity, Reading, taps::TapChanger};

/// What the voltages of one unit can be wrong by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Accuracy {
    /// Accuracy class of the source-side voltage measurement, per cent.
    pub source_percent: f64,
    /// Accuracy class of the load-side voltage measurement, per cent.
    pub load_percent: f64,
    /// Resolution of the voltages as reported, V on the secondary base.
    pub resolution_v: f64,
}

impl Default for Accuracy {
    /// Class 0.6 on both sides, 0.1 V.
    fn default() -> Self {
        Self { source_percent: 0.6, load_percent: 0.6, resolution_v: 0.1 }
    }
}

/// Drift of ratio errors over a day beyond the class, per cent (temperature, burden; common practice).
const DRIFT_PERCENT: f64 = 0.1;
/// Shortest time that a block may last, and readings' intervals that it must be able to hold.
const BLOCK_S: f64 = 900.0;
const BLOCK_READINGS: f64 = 4.0;

/// The facts that one unit's readings are audited by, worked out once.
#[derive(Debug, Clone, PartialEq)]
pub struct Limits {
    nameplate: Nameplate,
    changer: TapChanger,
    /// Change of ratio a step.
    step: f64,
    /// Offset that accuracy alone can explain, steps.
    bound: f64,
    /// Resolution of the voltages, steps.
    resolution: f64,
    through_kva: f64,
    block_s: i64,
}

impl Limits {
    /// Works them out.
    #[must_use]
    #[allow(clippy::cast_possible_truncation, reason = "poll intervals are seconds to hours")]
    pub fn new(nameplate: &Nameplate, accuracy: &Accuracy) -> Self {
        let step = nameplate.step_volts() / nameplate.voltage_base_v;
        let percent = accuracy.source_percent + accuracy.load_percent + DRIFT_PERCENT;
        // rounding is at most half a digit on either side
        let per_unit = percent / 100.0 + accuracy.resolution_v / nameplate.voltage_base_v;
        Self {
            nameplate: nameplate.clone(),
            changer: TapChanger::of(nameplate),
            step,
            bound: per_unit / step,
            resolution: accuracy.resolution_v / nameplate.voltage_base_v / step,
            // a nameplate without ratings is no reason to divide by zero
            through_kva: nameplate.through_kva().max(1.0),
            block_s: BLOCK_S.max(BLOCK_READINGS * nameplate.poll_interval_s) as i64,
        }
    }

    /// Offset, in steps, that the accuracy classes and the resolution alone can explain.
    #[must_use]
    pub const fn bound_steps(&self) -> f64 {
        self.bound
    }

    /// How far the tap that one reading's two voltages imply is from the reported one, steps at neutral; nothing unless all three
    /// are good, measured at about that time, and voltages at all. One reading proves nothing: see [`TapAudit`].
    #[must_use]
    pub fn implied_less_reported(&self, reading: &Reading) -> Option<f64> {
        let tap = reading.good(Quantity::Tap).filter(|tap| tap.abs() < 1000.0)?;
        let fresh = |quantity| reading.age(quantity).seconds() <= state::OLDEST_SOURCE_S;
        let voltage = |quantity| {
            let usable =
                |v: &f64| fresh(quantity) && state::PLAUSIBLE.contains(&(v / self.nameplate.voltage_base_v));
            reading.good(quantity).filter(usable)
        };
        Some(self.offset(voltage(Quantity::SourceVoltage)?, voltage(Quantity::LoadVoltage)?, tap))
    }

    /// Variance of the offset if rounding of two voltages were all there is, with half as much again: steps squared.
    fn rounding_variance(&self) -> f64 {
        1.5 * 2.0 * self.resolution * self.resolution / 12.0
    }

    /// What one more step does to the ratio at this tap, in steps at neutral: 0.9 to 1.1.
    fn local_step(&self, tap: f64) -> f64 {
        let ratio = self.changer.ratio(tap);
        self.changer.ratio(tap + 1.0) / ratio / self.step - 1.0 / self.step
    }

    /// The offset of a pair of voltages at a reported tap: how far their ratio is from the tap's, in steps at neutral (a
    /// constant error of a voltage transformer is constant in it at every tap).
    #[inline]
    fn offset(&self, source_v: f64, load_v: f64, tap: f64) -> f64 {
        (load_v / (source_v * self.changer.ratio(tap)) - 1.0) / self.step
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{WindingType, flow::circuit::check};

    /// Arithmetic: an error of 0.2 % in each voltage moves the estimate by 0.4 % = 0.64 tap.
    #[test]
    fn errors_of_two_voltages_in_taps() {
        let limits = Limits::new(&Nameplate::common(), &Accuracy::default());
        check(
            "taps for 0.2 % in each voltage",
            "arithmetic, 0.4/0.625",
            0.64,
            limits.offset(120.0 * 0.998, 120.0 * 1.002, 0.0),
            0.01,
        );
        // (0.6 + 0.6 + 0.1 % and 0.1 V of 120 V) / 0.625 %
        check(
            "offset that class 0.6 twice explains, taps",
            "arithmetic, IEEE C57.13 classes",
            2.213,
            limits.bound_steps(),
            0.001,
        );
    }

    #[test]
    fn a_constant_error_is_constant_and_a_step_is_about_a_step_at_every_tap() {
        for winding_type in [WindingType::A, WindingType::B] {
            let limits =
                Limits::new(&Nameplate { winding_type, ..Nameplate::common() }, &Accuracy::default());
            for tap in -15..=15 {
                let tap = f64::from(tap);
                let load = |tap: f64| 120.0 * limits.changer.ratio(tap) * 1.005;
                assert!((limits.offset(120.0, load(tap), tap) - 0.8).abs() < 1e-9);
                let one_more = limits.offset(120.0, load(tap + 1.0), tap) - 0.8;
                assert!((one_more / 1.005 - limits.local_step(tap)).abs() < 1e-9);
                assert!((0.88..1.12).contains(&one_more), "{one_more}");
            }
        }
    }
}
