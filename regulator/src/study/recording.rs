//! A recording: samples laid out for replay, cut where something changes for the control.
//!
//! Each sample holds until the next one. Where the next one is late (see [`Recording::from_samples`]) it holds for the usual interval only, and the rest
//! is a gap: nobody knows what the voltage did, so a replayed control starts its delay afresh after it.
//!
//! Values are kept as `f32`: at 120 V its steps are 8 microvolts, far below what is measured.

use super::Sample;

/// A run of samples without a gap, during which mode, blocking and knowledge of the current stay the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Stretch {
    pub(super) first: usize,
    /// One past the last.
    pub(super) end: usize,
    pub(super) after_gap: bool,
    pub(super) automatic: bool,
    pub(super) blocked: bool,
    pub(super) current_known: bool,
}

/// Recorded samples of one regulator.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Recording {
    pub(super) at_s: Vec<f64>,
    /// For how long each sample holds, seconds.
    pub(super) hold_s: Vec<f32>,
    pub(super) source_v: Vec<f32>,
    /// As measured; not a number where not known.
    pub(super) source_measured_v: Vec<f32>,
    /// Not a number where not known.
    pub(super) load_v: Vec<f32>,
    /// Zero where not known; the stretch says so.
    pub(super) in_phase: Vec<f32>,
    pub(super) lagging: Vec<f32>,
    pub(super) tap: Vec<i8>,
    pub(super) stretches: Vec<Stretch>,
    /// Gaps between samples.
    pub(super) gaps: u32,
    /// Their length, beyond what samples hold.
    pub(super) gap_s: f64,
    interval_s: f64,
}

#[expect(clippy::cast_possible_truncation, reason = "measured values, to be kept as f32")]
const fn single(x: f64) -> f32 {
    x as f32
}

impl Recording {
    /// Lays out samples. One that comes more than `gap_s` seconds after the last ends a gap. Samples whose source voltage is not positive and finite, or
    /// that run back in time, are left out.
    #[must_use]
    pub fn from_samples(samples: &[Sample], gap_s: f64) -> Self {
        let mut recording = Self { interval_s: usual_interval(samples, gap_s), ..Self::default() };
        for sample in samples {
            recording.push(sample, gap_s);
        }
        // Nothing says for how long the last one holds.
        recording.close(0.0);
        recording
    }

    fn push(&mut self, sample: &Sample, gap_s: f64) {
        let usable = sample.source_voltage_v.is_finite() && sample.source_voltage_v > 0.0;
        let elapsed = self.at_s.last().map(|last| sample.at_s - last);
        if !usable || elapsed.is_some_and(|elapsed| elapsed.is_nan() || elapsed < 0.0) {
            return;
        }
        let after_gap = elapsed.is_some_and(|elapsed| elapsed > gap_s);
        if let Some(elapsed) = elapsed {
            let hold = if after_gap { self.interval_s.min(elapsed) } else { elapsed };
            self.close(hold);
            if after_gap {
                self.gaps += 1;
                self.gap_s += elapsed - hold;
            }
        }
        self.extend_stretch(sample, after_gap);
        self.at_s.push(sample.at_s);
        self.source_v.push(single(sample.source_voltage_v));
        self.source_measured_v.push(sample.source_measured_v.map_or(f32::NAN, single));
        self.load_v.push(sample.load_voltage_v.map_or(f32::NAN, single));
        let (in_phase, lagging) = sample.current.unwrap_or_default();
        self.in_phase.push(single(in_phase));
        self.lagging.push(single(lagging));
        self.tap.push(i8::try_from(sample.tap).unwrap_or(if sample.tap < 0 { i8::MIN } else { i8::MAX }));
    }

    fn close(&mut self, hold_s: f64) {
        if self.hold_s.len() < self.at_s.len() {
            self.hold_s.push(single(hold_s));
        }
    }

    fn extend_stretch(&mut self, sample: &Sample, after_gap: bool) {
        let place = self.at_s.len();
        let fresh = Stretch {
            first: place,
            end: place + 1,
            after_gap,
            automatic: sample.automatic,
            blocked: sample.blocked,
            current_known: sample.current.is_some(),
        };
        match self.stretches.last_mut() {
            Some(last)
                if !after_gap
                    && (last.automatic, last.blocked, last.current_known)
                        == (fresh.automatic, fresh.blocked, fresh.current_known) =>
            {
                last.end += 1;
            }
            _ => self.stretches.push(fresh),
        }
    }

    /// How many samples there are.
    #[must_use]
    pub const fn len(&self) -> usize {
        self.at_s.len()
    }

    /// Whether there are none.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.at_s.is_empty()
    }

    /// Source voltages, V.
    pub fn source_voltages_v(&self) -> impl Iterator<Item = f32> + '_ {
        self.source_v.iter().copied()
    }

    /// Gaps, after each of which a replayed control starts its delay afresh.
    #[must_use]
    pub const fn gaps(&self) -> u32 {
        self.gaps
    }

    /// Time in gaps, seconds: part of no result.
    #[must_use]
    pub const fn gap_s(&self) -> f64 {
        self.gap_s
    }

    /// Time that the samples hold, seconds.
    #[must_use]
    pub fn covered_s(&self) -> f64 {
        self.hold_s.iter().map(|s| f64::from(*s)).sum()
    }

    /// The usual interval between samples, seconds (the median).
    #[must_use]
    pub const fn interval_s(&self) -> f64 {
        self.interval_s
    }

    /// Share of the samples whose current is known, 0 to 1; none without samples.
    #[must_use]
    pub fn current_known_share(&self) -> Option<f64> {
        let known: usize = self.stretches.iter().filter(|s| s.current_known).map(|s| s.end - s.first).sum();
        #[expect(clippy::cast_precision_loss, reason = "counts of this size divide exactly enough")]
        (!self.is_empty()).then(|| known as f64 / self.len() as f64)
    }
}

/// The median interval, gaps left out; `gap_s` when there is none.
fn usual_interval(samples: &[Sample], gap_s: f64) -> f64 {
    let intervals = samples.windows(2).map(|pair| pair[1].at_s - pair[0].at_s);
    let mut intervals: Vec<f64> = intervals.filter(|s| *s > 0.0 && *s <= gap_s).collect();
    let middle = intervals.len() / 2;
    if intervals.is_empty() { gap_s } else { *intervals.select_nth_unstable_by(middle, f64::total_cmp).1 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_late_sample_ends_a_gap_and_the_one_before_it_holds_the_usual_interval() {
        let at = [0.0, 10.0, 20.0, 500.0, 510.0];
        let recording = Recording::from_samples(&at.map(|t| Sample::new(t, 120.0)), 60.0);
        assert_eq!(recording.hold_s, [10.0, 10.0, 10.0, 10.0, 0.0]);
        assert_eq!((recording.gaps(), recording.gap_s()), (1, 470.0));
        assert_eq!(recording.covered_s(), 40.0);
        let cuts: Vec<_> = recording.stretches.iter().map(|s| (s.first, s.end, s.after_gap)).collect();
        assert_eq!(cuts, [(0, 3, false), (3, 5, true)]);
    }

    #[test]
    fn stretches_end_where_mode_blocking_or_knowledge_changes() {
        let mut samples = [0.0, 10.0, 20.0, 30.0, 40.0].map(|t| Sample::new(t, 120.0));
        samples[1].automatic = false;
        samples[3].blocked = true;
        samples[4].blocked = true;
        samples[4].current = Some((0.5, 0.1));
        let recording = Recording::from_samples(&samples, 60.0);
        assert_eq!(recording.stretches.len(), 5);
        assert_eq!(recording.current_known_share(), Some(0.2));
        assert_eq!(recording.gaps(), 0);
    }

    #[test]
    fn samples_without_a_voltage_or_back_in_time_are_left_out() {
        let samples = [(0.0, 120.0), (10.0, f64::NAN), (20.0, 0.0), (5.0, 121.0), (4.0, 121.0)];
        let recording = Recording::from_samples(&samples.map(|(t, v)| Sample::new(t, v)), 60.0);
        assert_eq!(recording.at_s, [0.0, 5.0]);
    }
}
