//! Passing over the samples at which a control surely rests.
//!
//! A control with no delay running stays as it is for as long as its voltage is in band, and that is nearly always. So a replay looks for the
//! next sample that is *not surely* in band, many samples at a time, by a test that a processor does on several at once; only there the control model itself is
//! asked. The test is in `f32` and leaves a margin far above its rounding errors: it may doubt a sample that is in band, never trust one that is not.
//! What a run does not need (compensator, impedances, reversal) is compiled out.

use super::model::AtTap;
use super::replay::Replay;
use super::series::{Factors, Series};
use crate::compensator::Compensator;
use crate::control::{ControlSettings, Regulation};

/// What must be in band to be surely in band, V. `f32` at 120 V resolves 8 microvolts; a dozen operations stay far below this.
const MARGIN_V: f64 = 0.002;
/// Samples tested together.
const TOGETHER: usize = 32;

/// What a run has to look at besides source voltage and ratio.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Features {
    pub(super) compensated: bool,
    pub(super) impedance: bool,
    pub(super) reversal: bool,
}

/// A band, made ready for the quick test.
#[derive(Debug, Clone, Copy)]
pub(super) struct Narrow {
    pub(super) features: Features,
    regulation: Regulation,
    reverse_threshold: f64,
    margin_v: f64,
}

impl Narrow {
    pub(super) fn new(replay: &Replay<'_>, settings: &ControlSettings) -> Self {
        Self {
            features: replay.features(settings),
            regulation: settings.forward,
            reverse_threshold: settings.reverse_threshold,
            margin_v: MARGIN_V,
        }
    }

    /// The band itself, for adding up the time outside it.
    pub(super) fn exact(replay: &Replay<'_>, settings: &ControlSettings) -> Self {
        let mut narrow = Self::new(replay, settings);
        (narrow.margin_v, narrow.features.reversal) = (0.0, false);
        narrow
    }

    /// A range of load voltage, V, without compensation, for adding up the time outside it.
    pub(super) fn range(
        replay: &Replay<'_>,
        settings: &ControlSettings,
        (low_v, high_v): (f64, f64),
    ) -> Self {
        let mut narrow = Self::exact(replay, settings);
        narrow.features.compensated = false;
        narrow.regulation = Regulation {
            set_voltage_v: 0.5 * (low_v + high_v),
            bandwidth_v: high_v - low_v,
            delay_s: 0.0,
            compensator: Compensator::OFF,
        };
        narrow
    }

    /// Whether what is inside the other band is surely inside this one.
    pub(super) fn holds(&self, other: &Self) -> bool {
        let (mine, theirs) = (&self.regulation, &other.regulation);
        let apart = (mine.set_voltage_v - theirs.set_voltage_v).abs();
        let same = mine.compensator == theirs.compensator;
        same && apart + 0.5 * theirs.bandwidth_v + self.margin_v.max(MARGIN_V) < 0.5 * mine.bandwidth_v
    }

    #[expect(clippy::cast_possible_truncation, reason = "the margin allows for it")]
    fn factors(&self, at: AtTap) -> Factors {
        let half = 0.5 * self.regulation.bandwidth_v - self.margin_v;
        let (low, high) = (self.regulation.set_voltage_v - half, self.regulation.set_voltage_v + half);
        let (low, high) = if self.features.compensated {
            // Squares are compared; a band below zero volts has no squares.
            (if low > 0.0 { low * low } else { f64::INFINITY }, high * high)
        } else if self.features.impedance {
            (low, high)
        } else {
            (low / at.ratio, high / at.ratio)
        };
        let compensator = self.regulation.compensator;
        Factors {
            ratio: at.ratio as f32,
            source_drop: (at.ratio * at.ratio * at.current) as f32,
            own_drop: at.current as f32,
            resistance_v: (compensator.resistance_v * at.current) as f32,
            reactance_v: (compensator.reactance_v * at.current) as f32,
            low: low as f32,
            high: high as f32,
            least_in_phase: (-self.reverse_threshold / at.current * 0.999) as f32,
        }
    }

    /// The first sample from `from` on, before `end`, that is not surely in band at this tap; `end` if all are.
    pub(super) fn first_doubtful(&self, replay: &Replay<'_>, from: usize, end: usize, at: AtTap) -> usize {
        let factors = self.factors(at);
        let Features { compensated, impedance, reversal } = self.features;
        match (compensated, impedance, reversal) {
            (false, false, false) => first::<false, false, false>(replay, from, end, &factors),
            (false, false, true) => first::<false, false, true>(replay, from, end, &factors),
            (false, true, false) => first::<false, true, false>(replay, from, end, &factors),
            (false, true, true) => first::<false, true, true>(replay, from, end, &factors),
            (true, false, false) => first::<true, false, false>(replay, from, end, &factors),
            (true, false, true) => first::<true, false, true>(replay, from, end, &factors),
            (true, true, false) => first::<true, true, false>(replay, from, end, &factors),
            (true, true, true) => first::<true, true, true>(replay, from, end, &factors),
        }
    }
}

fn first<const C: bool, const I: bool, const R: bool>(
    replay: &Replay<'_>,
    from: usize,
    end: usize,
    f: &Factors,
) -> usize {
    let all = Series::of(replay, from, end);
    let (mut blocks, whole) = all.blocks::<TOGETHER>();
    let sure = blocks.position(|block| block.any_doubtful::<C, I, R>(f)).map_or(whole, |b| b * TOGETHER);
    let place = all.singles(sure).position(|one| one.any_doubtful::<C, I, R>(f));
    place.map_or(end, |k| from + sure + k)
}

/// Seconds out of band during a run of samples at one tap.
pub(super) fn seconds_outside(
    replay: &Replay<'_>,
    narrow: &Narrow,
    from: usize,
    end: usize,
    at: AtTap,
) -> f64 {
    let f = narrow.factors(at);
    let add = match (narrow.features.compensated, narrow.features.impedance) {
        (false, false) => outside::<false, false>,
        (false, true) => outside::<false, true>,
        (true, false) => outside::<true, false>,
        (true, true) => outside::<true, true>,
    };
    add(replay, from, end, &f)
}

/// Sums side by side, so that the additions can be done together.
const LANES: usize = 8;
/// Blocks whose seconds are added in single precision before they go into the sum.
const BLOCKS: usize = 16;

fn outside<const C: bool, const I: bool>(replay: &Replay<'_>, from: usize, end: usize, f: &Factors) -> f64 {
    let all = Series::of(replay, from, end);
    let (blocks, whole) = all.blocks::<TOGETHER>();
    let mut sum = 0.0;
    let mut lanes = [0.0_f32; LANES];
    for (number, block) in blocks.enumerate() {
        for group in 0..TOGETHER / LANES {
            for (lane, seconds) in lanes.iter_mut().enumerate() {
                *seconds += block.doubtful_s::<C, I>(group * LANES + lane, f);
            }
        }
        if number % BLOCKS == BLOCKS - 1 {
            sum += lanes.iter().map(|s| f64::from(*s)).sum::<f64>();
            lanes = [0.0; LANES];
        }
    }
    let rest: f64 = all.singles(whole).map(|one| f64::from(one.doubtful_s::<C, I>(0, f))).sum();
    sum + lanes.iter().map(|s| f64::from(*s)).sum::<f64>() + rest
}
