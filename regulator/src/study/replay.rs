//! A recording made ready for replay with any settings, and the replay itself.

use super::model::{AtTap, Model, TapTable};
use super::outcome::Outcome;
use super::recording::{Recording, Stretch};
use super::run::Run;
use super::scan::{Features, Narrow};
use super::track::{Move, Track};
use crate::compensator::{Compensator, PerUnitCurrent};
use crate::control::{ControlSettings, Inputs, ReverseBehaviour};

/// A recording with its voltages and currents referred to neutral by a [`Model`], so that every tap is a few factors away.
///
/// Between samples the last one holds. The control looks at each sample as it comes ([`Control::look`](crate::control::Control::look)); a sequence of taps
/// that has begun runs on at its inter-tap time before the next sample, at the held source voltage.
///
/// While a control is in manual the tap is where it was recorded, whatever the settings. While it is blocked, or needs a current that is not
/// known, or in reverse a source voltage that was not measured, it stays. After a gap the control starts afresh, with the tap where the replay had it.
#[derive(Debug, Clone)]
pub struct Replay<'a> {
    pub(super) recording: &'a Recording,
    pub(super) model: Model,
    /// What the source voltage would be without current, V; without a source impedance simply the source voltage.
    pub(super) source_v: Vec<f32>,
    /// Current at neutral, per unit.
    pub(super) in_phase: Vec<f32>,
    pub(super) lagging: Vec<f32>,
    /// Drop of that current in the source impedance, and in the regulator, V; empty without impedances.
    pub(super) source_drop_v: Vec<f32>,
    pub(super) own_drop_v: Vec<f32>,
    /// Least and greatest recorded tap.
    recorded_taps: (i32, i32),
    /// Least in-phase current at neutral.
    least_in_phase: f32,
}

impl<'a> Replay<'a> {
    /// Makes a recording ready.
    #[must_use]
    pub fn new(recording: &'a Recording, model: Model) -> Self {
        let taps = recording.tap.iter().map(|tap| i32::from(*tap));
        let recorded_taps = (taps.clone().min().unwrap_or(0), taps.max().unwrap_or(0));
        let table = TapTable::new(&model, recorded_taps.0, recorded_taps.1);
        let mut replay = Self {
            recording,
            model,
            source_v: recording.source_v.clone(),
            in_phase: Vec::with_capacity(recording.len()),
            lagging: Vec::with_capacity(recording.len()),
            source_drop_v: vec![],
            own_drop_v: vec![],
            recorded_taps,
            least_in_phase: 0.0,
        };
        for i in 0..recording.len() {
            replay.refer(i, table.at(i32::from(recording.tap[i])));
        }
        replay
    }

    #[expect(clippy::cast_possible_truncation, reason = "measured values, kept as f32")]
    fn refer(&mut self, i: usize, at: AtTap) {
        let in_phase = f64::from(self.recording.in_phase[i]) / at.current;
        let lagging = f64::from(self.recording.lagging[i]) / at.current;
        self.in_phase.push(in_phase as f32);
        self.lagging.push(lagging as f32);
        self.least_in_phase = self.least_in_phase.min(in_phase as f32);
        if !self.model.has_impedance() {
            return;
        }
        let drop = |z: Option<super::SeriesDrop>| {
            z.map_or(0.0, |z| z.resistance_v * in_phase + z.reactance_v * lagging)
        };
        self.source_drop_v.push(drop(self.model.source) as f32);
        self.own_drop_v.push(drop(self.model.own) as f32);
        self.source_v[i] += (at.ratio * at.current * drop(self.model.source)) as f32;
    }

    /// The recording.
    #[must_use]
    pub const fn recording(&self) -> &'a Recording {
        self.recording
    }

    /// What is assumed.
    #[must_use]
    pub const fn model(&self) -> &Model {
        &self.model
    }

    /// What the control would have seen at sample `i` with the tap at `tap`, mode and blocking as recorded. The source voltage is the measured one where
    /// there is one, else that of the model.
    ///
    /// # Panics
    /// When there are not so many samples.
    #[must_use]
    pub fn inputs(&self, i: usize, tap: i32) -> Inputs {
        let ratio = self.model.changer.ratio(f64::from(tap));
        let at = AtTap { ratio, current: self.model.current_factor(ratio) };
        let (source_v, load_voltage_v, current) = self.state(i, at, 1.0);
        let source_voltage_v = self.source_seen_v(i, source_v).unwrap_or(source_v);
        let place = self.recording.stretches.partition_point(|s| s.end <= i);
        let Stretch { automatic, blocked, .. } = self.recording.stretches[place];
        Inputs { load_voltage_v, source_voltage_v, current, tap, automatic, blocked }
    }

    /// The same state without the control's: voltages of source and load side, V, and current.
    pub(super) fn inputs_at(&self, i: usize, tap: i32) -> (f64, f64, PerUnitCurrent) {
        let ratio = self.model.changer.ratio(f64::from(tap));
        self.state(i, AtTap { ratio, current: self.model.current_factor(ratio) }, 1.0)
    }

    /// Voltages of source and load side, V, and load-side current at sample `i`, with the tap at `at`. `upstream` is what another
    /// regulator on the source side makes of the source voltage, relative to the recording: 1 without one.
    #[inline(always)]
    pub(super) fn state(&self, i: usize, at: AtTap, upstream: f64) -> (f64, f64, PerUnitCurrent) {
        let factor =
            if upstream == 1.0 { at.current } else { at.current * self.model.current_factor(upstream) };
        let current = PerUnitCurrent {
            in_phase: f64::from(self.in_phase[i]) * factor,
            lagging: f64::from(self.lagging[i]) * factor,
        };
        let mut source_v = f64::from(self.source_v[i]) * upstream;
        if self.source_drop_v.is_empty() {
            return (source_v, source_v * at.ratio, current);
        }
        source_v -= f64::from(self.source_drop_v[i]) * factor * at.ratio;
        (source_v, source_v * at.ratio - f64::from(self.own_drop_v[i]) * factor, current)
    }

    /// What a control that regulates the source side sees there at sample `i`, V: what was measured, times what the model makes different of
    /// the source voltage (nothing without a source impedance and a regulator upstream). None where nothing was measured.
    #[inline]
    pub(super) fn source_seen_v(&self, i: usize, modelled_v: f64) -> Option<f64> {
        let measured_v = f64::from(self.recording.source_measured_v[i]);
        (!measured_v.is_nan()).then(|| measured_v * (modelled_v / f64::from(self.recording.source_v[i])))
    }

    pub(super) fn table(&self, settings: &ControlSettings) -> TapTable {
        let (least, greatest) = self.recorded_taps;
        TapTable::new(&self.model, settings.tap_min.min(least), settings.tap_max.max(greatest))
    }

    /// Where the tap would have been with these settings.
    #[must_use]
    pub fn track(&self, settings: &ControlSettings) -> Track {
        let mut track = Track::default();
        self.track_into(settings, &mut track);
        track
    }

    /// The same, into a track that is used again.
    pub fn track_into(&self, settings: &ControlSettings, track: &mut Track) {
        let mut run = Run::new(self, settings, track);
        let narrow = Narrow::new(self, settings);
        for stretch in &self.recording.stretches {
            run.enter(stretch);
            run.pass(stretch, &narrow);
        }
    }

    /// The same by looking at every sample, without passing over any: slower, and what the quick way is tested against.
    #[must_use]
    pub fn plain_track(&self, settings: &ControlSettings) -> Track {
        let mut track = Track::default();
        let mut run = Run::new(self, settings, &mut track);
        for stretch in &self.recording.stretches {
            run.enter(stretch);
            run.look_at_all(stretch);
        }
        track
    }

    /// What would have come of these settings.
    #[must_use]
    pub fn run(&self, settings: &ControlSettings) -> Outcome {
        Outcome::of(self, settings, self.track(settings))
    }

    /// Where the tap was recorded.
    #[must_use]
    pub fn recorded_track(&self) -> Track {
        let recording = self.recording;
        let tap = |i: usize| i32::from(recording.tap[i]);
        let mut track =
            Track { start: recording.tap.first().map_or(0, |tap| i32::from(*tap)), moves: vec![] };
        for stretch in &recording.stretches {
            for i in stretch.first.max(1)..stretch.end {
                if tap(i) != tap(i - 1) {
                    let by_control = stretch.automatic;
                    track.moves.push(Move { sample: i, at_s: recording.at_s[i], tap: tap(i), by_control });
                }
            }
        }
        track
    }

    /// What did come, judged by the band of these settings: recorded taps and load voltages (by the model where none was measured).
    #[must_use]
    pub fn recorded(&self, settings: &ControlSettings) -> Outcome {
        Outcome::recorded(self, settings, self.recorded_track())
    }

    /// What a run with these settings has to look for besides the band.
    pub(super) fn features(&self, settings: &ControlSettings) -> Features {
        let forward = settings.reverse_behaviour == ReverseBehaviour::KeepForward;
        // Half of the threshold leaves room for every tap's current factor.
        let never = f64::from(self.least_in_phase) > -0.5 * settings.reverse_threshold;
        Features {
            compensated: settings.forward.compensator != Compensator::OFF,
            impedance: self.model.has_impedance(),
            reversal: !forward && !never,
        }
    }
}
