//! Passing over the samples at which a control surely rests.
//!
//! A control with no delay running stays as it is for as long as its voltage is in band, and that is nearly always. So a replay looks for the
//! next sample that is *not surely* in band, many samples at a time, by a test that a processor does on several at once; only there the control model itself is
//! asked. The test is in `f32` and leaves a margin far above its rounding errors: it may doubt a sample that is in band, never trust one that is not.
//! What a run does not need (compensator, impedances, reversal) is compiled out.

use super::model::AtTap;
use super::replay::Replay;
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

/// Factors of the quick test at one tap.
#[derive(Debug, Clone, Copy)]
struct Factors {
    ratio: f32,
    source_drop: f32,
    own_drop: f32,
    resistance_v: f32,
    reactance_v: f32,
    low: f32,
    high: f32,
    least_in_phase: f32,
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

/// The series of a run of samples; those that are not needed are empty.
#[derive(Clone, Copy)]
struct Series<'a> {
    source_v: &'a [f32],
    in_phase: &'a [f32],
    lagging: &'a [f32],
    source_drop_v: &'a [f32],
    own_drop_v: &'a [f32],
}

impl<'a> Series<'a> {
    fn of<const C: bool, const I: bool, const R: bool>(
        replay: &'a Replay<'_>,
        from: usize,
        end: usize,
    ) -> Self {
        let cut = |all: &'a [f32], wanted| if wanted { &all[from..end] } else { &[] };
        Self {
            source_v: cut(&replay.source_v, true),
            in_phase: cut(&replay.in_phase, C || R),
            lagging: cut(&replay.lagging, C),
            source_drop_v: cut(&replay.source_drop_v, I),
            own_drop_v: cut(&replay.own_drop_v, I),
        }
    }

    fn part(&self, from: usize, end: usize) -> Self {
        let cut = |all: &'a [f32]| if all.is_empty() { all } else { &all[from..end] };
        Self {
            source_v: cut(self.source_v),
            in_phase: cut(self.in_phase),
            lagging: cut(self.lagging),
            source_drop_v: cut(self.source_drop_v),
            own_drop_v: cut(self.own_drop_v),
        }
    }

    /// What is compared with the factors' limits.
    #[inline(always)]
    fn compared<const C: bool, const I: bool>(&self, k: usize, f: &Factors) -> f32 {
        if !C && !I {
            return self.source_v[k];
        }
        let mut load_v = self.source_v[k] * f.ratio;
        if I {
            load_v -= self.source_drop_v[k] * f.source_drop + self.own_drop_v[k] * f.own_drop;
        }
        if !C {
            return load_v;
        }
        let (p, q) = (self.in_phase[k], self.lagging[k]);
        let in_phase = load_v - (f.resistance_v * p + f.reactance_v * q);
        let quadrature = f.resistance_v * q - f.reactance_v * p;
        in_phase * in_phase + quadrature * quadrature
    }

    #[inline(always)]
    fn doubtful<const C: bool, const I: bool, const R: bool>(&self, k: usize, f: &Factors) -> bool {
        let x = self.compared::<C, I>(k, f);
        let outside = (x < f.low) | (x > f.high);
        if R { outside | (self.in_phase[k] < f.least_in_phase) } else { outside }
    }
}

fn first<const C: bool, const I: bool, const R: bool>(
    replay: &Replay<'_>,
    from: usize,
    end: usize,
    f: &Factors,
) -> usize {
    let all = Series::of::<C, I, R>(replay, from, end);
    let count = end - from;
    let mut begin = 0;
    while begin + TOGETHER <= count {
        let part = all.part(begin, begin + TOGETHER);
        let mut any = false;
        for k in 0..TOGETHER {
            any |= part.doubtful::<C, I, R>(k, f);
        }
        if any {
            break;
        }
        begin += TOGETHER;
    }
    (begin..count).find(|k| all.doubtful::<C, I, R>(*k, f)).map_or(end, |k| from + k)
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

fn outside<const C: bool, const I: bool>(replay: &Replay<'_>, from: usize, end: usize, f: &Factors) -> f64 {
    let all = Series::of::<C, I, false>(replay, from, end);
    let hold_s = &replay.recording.hold_s[from..end];
    let mut sum = 0.0;
    let mut begin = 0;
    while begin < hold_s.len() {
        let stop = (begin + 256).min(hold_s.len());
        let (part, hold_s) = (all.part(begin, stop), &hold_s[begin..stop]);
        // Lanes of their own, so that the additions can be done side by side.
        let mut lanes = [0.0_f32; 8];
        let whole = hold_s.len() / 8 * 8;
        for k in (0..whole).step_by(8) {
            for (lane, seconds) in lanes.iter_mut().enumerate() {
                let out = part.doubtful::<C, I, false>(k + lane, f);
                *seconds += if out { hold_s[k + lane] } else { 0.0 };
            }
        }
        for k in whole..hold_s.len() {
            lanes[0] += if part.doubtful::<C, I, false>(k, f) { hold_s[k] } else { 0.0 };
        }
        sum += lanes.iter().map(|s| f64::from(*s)).sum::<f64>();
        begin = stop;
    }
    sum
}
