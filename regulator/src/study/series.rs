//! The series of a recording in blocks, and the quick test on them: `f32`, the same for every sample, without branches, so that a processor does
//! several samples at once. What a run does not need (compensator `C`, impedances `I`, reversal `R`) is compiled out.

use super::replay::Replay;

/// Factors of the quick test at one tap.
#[derive(Debug, Clone, Copy)]
pub(super) struct Factors {
    pub(super) ratio: f32,
    pub(super) source_drop: f32,
    pub(super) own_drop: f32,
    pub(super) resistance_v: f32,
    pub(super) reactance_v: f32,
    pub(super) low: f32,
    pub(super) high: f32,
    pub(super) least_in_phase: f32,
}

/// The series of a run of samples, all of one length; one that is not needed stands for nothing and is never looked at.
#[derive(Clone, Copy)]
pub(super) struct Series<'a> {
    source_v: &'a [f32],
    in_phase: &'a [f32],
    lagging: &'a [f32],
    source_drop_v: &'a [f32],
    own_drop_v: &'a [f32],
    hold_s: &'a [f32],
}

/// Some samples of them, so many that the compiler knows how many.
pub(super) struct Block<'a, const N: usize> {
    source_v: &'a [f32; N],
    in_phase: &'a [f32; N],
    lagging: &'a [f32; N],
    source_drop_v: &'a [f32; N],
    own_drop_v: &'a [f32; N],
    hold_s: &'a [f32; N],
}

impl<'a> Series<'a> {
    pub(super) fn of(replay: &'a Replay<'_>, from: usize, end: usize) -> Self {
        let source_v = &replay.source_v[from..end];
        let cut = |all: &'a [f32]| if all.is_empty() { source_v } else { &all[from..end] };
        Self {
            source_v,
            in_phase: cut(&replay.in_phase),
            lagging: cut(&replay.lagging),
            source_drop_v: cut(&replay.source_drop_v),
            own_drop_v: cut(&replay.own_drop_v),
            hold_s: cut(&replay.recording.hold_s),
        }
    }

    /// The whole blocks, and where they end.
    pub(super) fn blocks<const N: usize>(self) -> (impl Iterator<Item = Block<'a, N>>, usize) {
        let split = |all: &'a [f32]| all.as_chunks::<N>().0;
        let (source_v, hold_s) = (split(self.source_v), split(self.hold_s));
        let currents = split(self.in_phase).iter().zip(split(self.lagging));
        let drops = split(self.source_drop_v).iter().zip(split(self.own_drop_v));
        let all = source_v.iter().zip(hold_s).zip(currents.zip(drops));
        let blocks = all.map(|((source_v, hold_s), ((in_phase, lagging), (source_drop_v, own_drop_v)))| {
            Block { source_v, in_phase, lagging, source_drop_v, own_drop_v, hold_s }
        });
        (blocks, source_v.len() * N)
    }

    /// The samples from `begin` on, one by one.
    pub(super) fn singles(self, begin: usize) -> impl Iterator<Item = Block<'a, 1>> {
        let rest = Self {
            source_v: &self.source_v[begin..],
            in_phase: &self.in_phase[begin..],
            lagging: &self.lagging[begin..],
            source_drop_v: &self.source_drop_v[begin..],
            own_drop_v: &self.own_drop_v[begin..],
            hold_s: &self.hold_s[begin..],
        };
        rest.blocks::<1>().0
    }
}

impl<const N: usize> Block<'_, N> {
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

    /// 1 if it is doubtful, else 0: a number, because yes and no would become branches.
    #[inline(always)]
    fn doubtful<const C: bool, const I: bool, const R: bool>(&self, k: usize, f: &Factors) -> u32 {
        let x = self.compared::<C, I>(k, f);
        let outside = u32::from(x < f.low) | u32::from(x > f.high);
        if R { outside | u32::from(self.in_phase[k] < f.least_in_phase) } else { outside }
    }

    #[inline(always)]
    pub(super) fn any_doubtful<const C: bool, const I: bool, const R: bool>(&self, f: &Factors) -> bool {
        (0..N).fold(0, |any, k| any | self.doubtful::<C, I, R>(k, f)) != 0
    }

    /// The seconds that the sample holds if it is doubtful, else 0.
    #[inline(always)]
    pub(super) fn doubtful_s<const C: bool, const I: bool>(&self, k: usize, f: &Factors) -> f32 {
        let mask = self.doubtful::<C, I, false>(k, f).wrapping_neg();
        f32::from_bits(self.hold_s[k].to_bits() & mask)
    }
}
