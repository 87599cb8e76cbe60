//! A band that widens while the voltage ramps fast, and returns after.
//!
//! Passing clouds move the voltage out of band and back within minutes; a control that follows each of them wears its contacts for little. While
//! such ramps last, taps that the set band asks for are withheld as long as the voltage stays inside a wider band. The delay of the set band
//! runs on behind, so that outside the wider band, or outside hard limits, the control acts no later than it would have without widening.
//! The design is this project's own; its default numbers are a starting point for a study, not a standard.

use serde::{Deserialize, Serialize};

/// When and how far the band widens.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Widening {
    /// The ramp counts as fast once the regulated voltage is this far, V, from its own running average.
    pub ramp_v: f64,
    /// Time constant of that average, seconds: a steady ramp counts as fast from `ramp_v / window_s` volts a second on.
    pub window_s: f64,
    /// How much wider the band becomes: 2 is twice the set bandwidth. At 1 or less it does not widen.
    pub factor: f64,
    /// How long after the last fast ramp the band stays wide, seconds.
    pub hold_s: f64,
    /// Below this voltage at the regulator, V, the set band applies whatever the ramps.
    pub hard_low_v: f64,
    /// Above this voltage at the regulator, V, the set band applies whatever the ramps.
    pub hard_high_v: f64,
}

impl Widening {
    /// A starting point: a ramp of more than 0.8 V against the average of a minute widens the band to 2.5 times its set width, until ten minutes have
    /// been quiet, within the limits of ANSI C84.1 range A (114 to 126 V; from memory of the standard).
    #[must_use]
    pub const fn common() -> Self {
        Self {
            ramp_v: 0.8,
            window_s: 60.0,
            factor: 2.5,
            hold_s: 600.0,
            hard_low_v: 114.0,
            hard_high_v: 126.0,
        }
    }

    /// Whether a tap can be withheld: the regulated side is within the hard limits and the deviation within the wider band.
    #[inline]
    pub(super) fn has_room(&self, regulated_v: f64, deviation_v: f64, bandwidth_v: f64) -> bool {
        let wide = deviation_v.abs() <= 0.5 * bandwidth_v * self.factor;
        wide && regulated_v >= self.hard_low_v && regulated_v <= self.hard_high_v
    }
}

/// What is remembered of the voltage's way.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Ramp {
    average_v: f64,
    last_v: f64,
    tap: i32,
    /// Seconds for which the band stays wide unless another ramp comes.
    fast_left_s: f64,
    begun: bool,
}

impl Ramp {
    #[cfg(test)]
    pub(super) fn bits(&self) -> (u64, u64, i32, u64, bool) {
        (self.average_v.to_bits(), self.last_v.to_bits(), self.tap, self.fast_left_s.to_bits(), self.begun)
    }

    #[inline]
    pub(super) const fn is_fast(&self) -> bool {
        self.fast_left_s > 0.0
    }

    /// Takes in a voltage. The step that a tap makes is no ramp: the average moves with it.
    #[inline]
    pub(super) fn see(&mut self, widening: &Widening, voltage_v: f64, tap: i32) {
        if !self.begun {
            (self.begun, self.average_v) = (true, voltage_v);
        } else if tap != self.tap {
            self.average_v += voltage_v - self.last_v;
        }
        (self.last_v, self.tap) = (voltage_v, tap);
        if (voltage_v - self.average_v).abs() > widening.ramp_v {
            self.fast_left_s = widening.hold_s;
        }
    }

    #[inline]
    pub(super) fn pass(&mut self, widening: &Widening, dt_s: f64) {
        // Weights of old and new, so that from one average to the next there is a product and a sum: a replay waits for these.
        let kept = widening.window_s / (widening.window_s + dt_s);
        self.average_v = self.average_v * kept + self.last_v * (1.0 - kept);
        self.fast_left_s = (self.fast_left_s - dt_s).max(0.0);
    }
}
