//! What the load does to the voltage that reaches a regulator: the drop along the lines before it, learnt from its own readings.
//!
//! A change of load changes the drop by about `R dP + X dQ` (the approximate voltage drop of W. H. Kersting, *Distribution System
//! Modeling and Analysis*, ch. 3), a change of supply does not come with one of load. So the slopes of voltage over real and reactive power
//! (or current), taken from poll to poll, are the line's alone; what they do not explain is the supply's. Least squares with
//! slow forgetting; only pairs of readings count in which the load really changed, because noise in the load would flatten
//! the slopes.

use serde::{Deserialize, Serialize};

/// Weight that the past keeps with each new pair.
const KEEP: f64 = 0.998;
/// Pairs before the slopes are used.
const ENOUGH: f64 = 25.0;

/// Slopes of voltage over two measures of load, per unit of rating. Kept between runs.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct LineDrop {
    pairs: f64,
    xx: f64,
    xz: f64,
    zz: f64,
    xy: f64,
    zy: f64,
    yy: f64,
}

impl LineDrop {
    /// Takes a change of voltage (V) that came with a change of load: real and reactive, per unit of rating.
    pub(super) fn learn(&mut self, volts: f64, real: f64, reactive: f64) {
        let mix = |sum: &mut f64, value: f64| *sum = *sum * KEEP + value;
        mix(&mut self.pairs, 1.0);
        mix(&mut self.xx, real * real);
        mix(&mut self.xz, real * reactive);
        mix(&mut self.zz, reactive * reactive);
        mix(&mut self.xy, real * volts);
        mix(&mut self.zy, reactive * volts);
        mix(&mut self.yy, volts * volts);
    }

    /// Volts per unit of real and of reactive load; negative where more load means less voltage. None before enough was seen.
    #[must_use]
    pub fn slopes(&self) -> Option<(f64, f64)> {
        if self.pairs < ENOUGH || self.xx <= 0.0 {
            return None;
        }
        // A little weight towards none, so that load whose real and reactive parts move together gives no wild pair of slopes.
        let ridge = 0.01 * self.xx;
        let (xx, zz) = (self.xx + 0.001 * self.xx, self.zz + ridge);
        let determinant = xx * zz - self.xz * self.xz;
        let real = (self.xy * zz - self.zy * self.xz) / determinant;
        let reactive = (self.zy * xx - self.xy * self.xz) / determinant;
        Some((real, reactive))
    }

    /// Volts that a change of load explains.
    #[must_use]
    pub fn volts(&self, real: f64, reactive: f64) -> Option<f64> {
        self.slopes().map(|(r, x)| r * real + x * reactive)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Approximate drop, Kersting ch. 3: R P + X Q over the line-to-neutral voltage, here 4 V and 6 V a unit of rating.
    #[test]
    fn slopes_of_a_line_are_found_under_steps_of_the_supply() {
        let mut drop = LineDrop::default();
        for i in 0..400_i32 {
            let real = f64::from(i * 37 % 21 - 10) / 100.0;
            let reactive = f64::from(i * 53 % 17 - 8) / 200.0;
            let supply = if i % 9 == 0 { 0.2 } else { -0.025 };
            drop.learn(-4.0 * real - 6.0 * reactive + supply, real, reactive);
        }
        let (r, x) = drop.slopes().unwrap();
        println!(
            "CHECK | drop of a line, V per unit of P and Q | Kersting, ch. 3, R P + X Q | -4, -6 | {r:.2}, {x:.2}"
        );
        assert!((r + 4.0).abs() < 0.4 && (x + 6.0).abs() < 0.6, "{r} {x}");
    }

    #[test]
    fn little_seen_is_nothing_known() {
        let mut drop = LineDrop::default();
        drop.learn(-0.5, 0.1, 0.0);
        assert_eq!(drop.slopes(), None);
    }

    #[test]
    fn without_reactive_power_the_one_slope_stands() {
        let mut drop = LineDrop::default();
        for i in 0..100_i32 {
            let real = f64::from(i % 7 - 3) / 30.0;
            drop.learn(-5.0 * real, real, 0.0);
        }
        assert!((drop.volts(0.1, 0.0).unwrap() + 0.5).abs() < 0.01);
    }
}
