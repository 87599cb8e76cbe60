//! Chance that can be repeated: hashed noise as a function of place and time, cheap normal numbers, slowly wandering values.

use rand::Rng;
use rand_pcg::Pcg32;
use serde::{Deserialize, Serialize};

/// A number that looks random and depends on `key` alone (the finaliser of SplitMix64, Steele, Lea and Flood 2014).
#[inline]
pub(crate) const fn hash(key: u64) -> u64 {
    let mut z = key.wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// The same of two keys.
#[inline]
pub(crate) const fn hash2(a: u64, b: u64) -> u64 {
    hash(hash(a) ^ b)
}

/// Uniform in 0..1 from random bits.
#[inline]
#[allow(clippy::cast_precision_loss, reason = "53 bits fit exactly")]
pub(crate) const fn uniform(bits: u64) -> f64 {
    (bits >> 11) as f64 / (1_u64 << 53) as f64
}

/// Nearly normal, mean 0, standard deviation 1, never beyond 3.5: the sum of four uniform numbers. One multiplication and no
/// logarithm, because the physics asks for tens of millions of them.
#[inline]
#[allow(clippy::cast_precision_loss, reason = "the sum has 18 bits")]
pub(crate) const fn normal(bits: u64) -> f64 {
    let sum = (bits & 0xFFFF) + ((bits >> 16) & 0xFFFF) + ((bits >> 32) & 0xFFFF) + (bits >> 48);
    // Mean 2 x 65535; variance 4/12 of 65536 squared.
    const SPREAD: f64 = 65_536.0 * 0.577_350_269_189_625_8;
    (sum as f64 - 131_070.0) / SPREAD
}

/// How far a mean-reverting process moves in one step.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Pull {
    keep: f64,
    push: f64,
}

impl Pull {
    /// For a process of this standard deviation that forgets with this time constant, over a step of `dt_s` (the exact
    /// discretisation of an Ornstein-Uhlenbeck process, so the step's length does not change its statistics).
    pub(crate) fn new(deviation: f64, time_constant_s: f64, dt_s: f64) -> Self {
        let keep = (-dt_s / time_constant_s).exp();
        Self { keep, push: deviation * (1.0 - keep * keep).sqrt() }
    }
}

/// A value that wanders about zero.
#[derive(Debug, Clone, Copy, Default, Serialize, Deserialize)]
pub(crate) struct Wander(pub(crate) f64);

impl Wander {
    #[inline]
    pub(crate) fn step(&mut self, pull: Pull, random: &mut Pcg32) {
        self.0 = self.0 * pull.keep + pull.push * normal(random.next_u64());
    }
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;

    use super::*;

    fn moments(values: impl Iterator<Item = f64>) -> (f64, f64) {
        let (mut n, mut sum, mut squares) = (0.0, 0.0, 0.0);
        for v in values {
            n += 1.0;
            sum += v;
            squares += v * v;
        }
        let mean = sum / n;
        (mean, (squares / n - mean * mean).sqrt())
    }

    #[test]
    fn normal_numbers_have_mean_zero_and_deviation_one() {
        let (mean, deviation) = moments((0..200_000).map(|k| normal(hash(k))));
        assert!(mean.abs() < 0.01 && (deviation - 1.0).abs() < 0.01, "{mean} {deviation}");
    }

    #[test]
    fn a_wanderer_keeps_its_spread_whatever_the_step() {
        for dt in [1.0, 10.0, 60.0] {
            let pull = Pull::new(0.4, 300.0, dt);
            let mut random = Pcg32::seed_from_u64(7);
            let mut value = Wander::default();
            let (mean, deviation) = moments((0..400_000).map(|_| {
                value.step(pull, &mut random);
                value.0
            }));
            assert!(mean.abs() < 0.05 && (deviation - 0.4).abs() < 0.05, "{dt}: {mean} {deviation}");
        }
    }
}
