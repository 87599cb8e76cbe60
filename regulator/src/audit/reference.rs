//! The offset to be expected: a two-state Kalman filter of the offset at no load and of the unit's own series drop.
//!
//! Measured offset = level - drop x in-phase current. The level wanders a little (temperature and burden of the voltage
//! transformers); the drop is a property of the unit: step regulators drop a few tenths of a per cent at rated current
//! (common practice).

use serde::{Deserialize, Serialize};

use super::block::Mean;

/// Series drop at rated in-phase current, steps: first guess and its standard deviation (0.2 % +- 0.2 %).
const DROP: (f32, f32) = (0.3, 0.3);
/// What averages are off by that their scatter does not show, steps.
const FLOOR: f64 = 0.08;
/// Wander of the level, steps in an hour (random walk), and of the drop.
const LEVEL_WANDER: f64 = 0.04;
const DROP_WANDER: f64 = 0.01;
/// Longest time that adds to the uncertainty: transformers do not drift for weeks.
const LONGEST_H: f64 = 6.0;

/// The state.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Reference {
    /// Steps at no load.
    #[serde(rename = "b")]
    level: f32,
    /// Steps at rated in-phase current.
    #[serde(rename = "z")]
    drop: f32,
    /// Covariance: level, both, drop.
    #[serde(rename = "p")]
    covariance: [f32; 3],
    /// Seconds since 1970 of the last block.
    #[serde(rename = "t", skip_serializing_if = "Option::is_none")]
    at_s: Option<i64>,
}

impl Default for Reference {
    fn default() -> Self {
        // a level within a few steps
        Self { level: 0.0, drop: DROP.0, covariance: [9.0, 0.0, DROP.1 * DROP.1], at_s: None }
    }
}

/// How a block departs from what was expected.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Departure {
    /// Steps at neutral.
    pub(super) by: f64,
    /// Its expected variance.
    pub(super) variance: f64,
}

impl Reference {
    /// Offset at no load, steps.
    pub(super) fn level(&self) -> f64 {
        self.level.into()
    }

    /// Standard deviation of the level.
    pub(super) fn level_error(&self) -> f64 {
        f64::from(self.covariance[0]).sqrt()
    }

    /// Series drop at rated in-phase current, steps, with its standard deviation.
    pub(super) fn drop(&self) -> (f64, f64) {
        (self.drop.into(), f64::from(self.covariance[2]).sqrt())
    }

    /// Lets time pass up to a block and compares.
    #[allow(clippy::cast_possible_truncation, reason = "stored short on purpose")]
    pub(super) fn compare(&mut self, mean: &Mean, explained: f64) -> Departure {
        let elapsed = self.at_s.replace(mean.to_s).map_or(0, |last| mean.to_s - last);
        #[allow(clippy::cast_precision_loss, reason = "seconds of years")]
        let hours = (elapsed as f64 / 3600.0).clamp(0.0, LONGEST_H);
        self.covariance[0] += (hours * LEVEL_WANDER * LEVEL_WANDER) as f32;
        self.covariance[2] += (hours * DROP_WANDER * DROP_WANDER) as f32;
        let [ll, ld, dd] = self.covariance.map(f64::from);
        let i = mean.load;
        let expected = self.level() - f64::from(self.drop) * i;
        Departure {
            by: mean.offset - explained - expected,
            variance: ll - 2.0 * i * ld + i * i * dd + mean.variance + FLOOR * FLOOR,
        }
    }

    /// Learns from the departure of a block that has been compared.
    #[allow(clippy::cast_possible_truncation, reason = "stored short on purpose")]
    pub(super) fn learn(&mut self, mean: &Mean, departure: Departure) {
        let [ll, ld, dd] = self.covariance.map(f64::from);
        let i = mean.load;
        // covariance times the measurement's row (1, -i)
        let (l, d) = (ll - i * ld, ld - i * dd);
        let (gain_l, gain_d) = (l / departure.variance, d / departure.variance);
        self.level += (gain_l * departure.by) as f32;
        self.drop += (gain_d * departure.by) as f32;
        self.covariance = [ll - gain_l * l, ld - gain_l * d, dd - gain_d * d].map(|v| v as f32);
        self.covariance[0] = self.covariance[0].max(1e-6);
        self.covariance[2] = self.covariance[2].max(1e-6);
    }

    /// Moves the level by a jump that was not a slip, to be learnt anew from there.
    #[allow(clippy::cast_possible_truncation, reason = "stored short on purpose")]
    pub(super) fn jump(&mut self, by: f64) {
        self.level += by as f32;
        self.covariance[0] += 0.25;
    }
}
