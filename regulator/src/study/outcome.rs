//! What came of settings: operations, voltages, taps, wear.

use serde::Serialize;

use super::histogram::{TapHistogram, VoltageHistogram};
use super::model::{AtTap, TapTable};
use super::recording::Stretch;
use super::replay::Replay;
use super::reverse::source_side_s;
use super::run::needs_current;
use super::scan::{Narrow, seconds_outside};
use super::track::Track;
use super::wear::Wear;
use crate::compensator::PerUnitCurrent;
use crate::control::ControlSettings;

/// ANSI C84.1 service voltage on a 120 V base, V: range A (normal operation) and range B (short and infrequent excursions). From memory of the
/// standard; the edition in force decides.
pub const RANGE_A_V: (f64, f64) = (114.0, 126.0);
/// See [`RANGE_A_V`].
pub const RANGE_B_V: (f64, f64) = (110.0, 127.0);
/// An operation undone within this time, seconds, was unnecessary: see [`Track::undone_within`].
pub const UNDONE_WITHIN_S: f64 = 300.0;

/// What came of a run with some settings, or what was recorded. All times are seconds; gaps are in none of them.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Outcome {
    /// Time that the samples hold.
    pub covered_s: f64,
    /// Gaps, after each of which the control started afresh.
    pub gaps: u32,
    /// Time in manual, during which the tap is as recorded.
    pub manual_s: f64,
    /// Time blocked, during which the tap stays.
    pub blocked_s: f64,
    /// Time during which the settings need a current that is not known, or in reverse a source voltage, so that the replayed control stays: no
    /// evidence about these settings.
    pub blind_s: f64,
    /// Time during which the settings regulate the source side, which is taken not to answer the tap.
    pub source_side_s: f64,
    /// The part of it (and of the blind time) in which no source voltage was measured.
    pub source_unknown_s: f64,
    /// Tap changes by the control, in steps.
    pub operations: u64,
    /// Those undone by one the other way within five minutes.
    pub undone: u64,
    /// Time during which the (compensated) voltage was outside the set band, waiting and widening included. Judged by the forward settings.
    pub out_of_band_s: f64,
    /// Time during which the voltage at the regulator was outside ANSI C84.1 range A.
    pub outside_range_a_s: f64,
    /// The same for range B.
    pub outside_range_b_s: f64,
    /// Voltage at the regulator's load side.
    pub voltage: VoltageHistogram,
    /// Taps.
    pub taps: TapHistogram,
    /// Switched current.
    pub wear: Wear,
    /// Where the tap was.
    #[serde(skip)]
    pub track: Track,
}

/// The few figures that a sweep needs of each run.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub(super) struct Essentials {
    pub(super) out_of_band_s: f64,
    pub(super) outside_range_a_s: f64,
    pub(super) outside_range_b_s: f64,
}

impl Essentials {
    pub(super) fn of(replay: &Replay<'_>, settings: &ControlSettings, track: &Track) -> Self {
        let table = replay.table(settings);
        let band = Narrow::exact(replay, settings);
        let range = |range| Narrow::range(replay, settings, replay.model.range_v(range));
        let (a, b) = (range(RANGE_A_V), range(RANGE_B_V));
        let mut sum = Self::default();
        for (first, end, tap) in track.runs(replay.recording.len()) {
            let outside = |narrow| seconds_outside(replay, narrow, first, end, table.at(tap));
            let out_of_band = outside(&band);
            sum.out_of_band_s += out_of_band;
            // Range A holds the band, as a rule, and range B holds range A.
            let beyond_a = if a.holds(&band) && out_of_band <= 0.0 { 0.0 } else { outside(&a) };
            sum.outside_range_a_s += beyond_a;
            sum.outside_range_b_s += if beyond_a > 0.0 { outside(&b) } else { 0.0 };
        }
        sum
    }
}

impl Outcome {
    pub(super) fn of(replay: &Replay<'_>, settings: &ControlSettings, track: Track) -> Self {
        let essentials = Essentials::of(replay, settings, &track);
        let table = replay.table(settings);
        let mut outcome =
            Self::of_track(replay, &table, track, essentials, |i, at| replay.state(i, at, 1.0).1);
        outcome.blind_s = if needs_current(settings) {
            seconds(replay, |s| s.automatic && !s.blocked && !s.current_known)
        } else {
            0.0
        };
        (outcome.source_side_s, outcome.source_unknown_s) = source_side_s(replay, settings, &outcome.track);
        outcome.blind_s += outcome.source_unknown_s;
        outcome
    }

    pub(super) fn recorded(replay: &Replay<'_>, settings: &ControlSettings, track: Track) -> Self {
        Self::by_sample(replay, settings, track, |i, at| {
            let (_, modelled, current) = replay.state(i, at, 1.0);
            let measured = f64::from(replay.recording.load_v[i]);
            (if measured.is_nan() { modelled } else { measured }, current)
        })
    }

    /// Adds up sample by sample; load voltage, V, and current are told.
    pub(super) fn by_sample(
        replay: &Replay<'_>,
        settings: &ControlSettings,
        track: Track,
        told: impl Fn(usize, AtTap) -> (f64, PerUnitCurrent),
    ) -> Self {
        let table = replay.table(settings);
        let half = 0.5 * settings.forward.bandwidth_v;
        let (a, b) = (replay.model.range_v(RANGE_A_V), replay.model.range_v(RANGE_B_V));
        let mut sums = Essentials::default();
        for (first, end, tap) in track.runs(replay.recording.len()) {
            let at = table.at(tap);
            for i in first..end {
                let (v, current) = told(i, at);
                let hold_s = f64::from(replay.recording.hold_s[i]);
                let relay = settings.forward.compensator.relay_voltage(v, current);
                let add = |sum: &mut f64, outside: bool| *sum += if outside { hold_s } else { 0.0 };
                add(&mut sums.out_of_band_s, (relay - settings.forward.set_voltage_v).abs() > half);
                add(&mut sums.outside_range_a_s, v < a.0 || v > a.1);
                add(&mut sums.outside_range_b_s, v < b.0 || v > b.1);
            }
        }
        Self::of_track(replay, &table, track, sums, |i, at| told(i, at).0)
    }

    fn of_track(
        replay: &Replay<'_>,
        table: &TapTable,
        track: Track,
        essentials: Essentials,
        load_v: impl Fn(usize, AtTap) -> f64,
    ) -> Self {
        let recording = replay.recording;
        let (mut voltage, mut taps) = (VoltageHistogram::default(), TapHistogram::default());
        for (first, end, tap) in track.runs(recording.len()) {
            let (at, mut on_tap) = (table.at(tap), 0.0);
            for i in first..end {
                let hold_s = f64::from(recording.hold_s[i]);
                voltage.add(load_v(i, at), hold_s);
                on_tap += hold_s;
            }
            taps.add(tap, on_tap);
        }
        Self {
            covered_s: recording.covered_s(),
            gaps: recording.gaps,
            manual_s: seconds(replay, |s| !s.automatic),
            blocked_s: seconds(replay, |s| s.blocked),
            blind_s: 0.0,
            source_side_s: 0.0,
            source_unknown_s: 0.0,
            operations: track.operations(),
            undone: track.undone_within(UNDONE_WITHIN_S),
            out_of_band_s: essentials.out_of_band_s,
            outside_range_a_s: essentials.outside_range_a_s,
            outside_range_b_s: essentials.outside_range_b_s,
            voltage,
            taps,
            wear: Wear::of(replay, &track),
            track,
        }
    }

    /// Operations a day of the time covered; none when nothing is.
    #[must_use]
    pub fn operations_a_day(&self) -> Option<f64> {
        #[expect(clippy::cast_precision_loss, reason = "counts of this size divide exactly enough")]
        (self.covered_s > 0.0).then(|| self.operations as f64 / (self.covered_s / 86_400.0))
    }
}

fn seconds(replay: &Replay<'_>, which: impl Fn(&Stretch) -> bool) -> f64 {
    let stretches = replay.recording.stretches.iter().filter(|s| which(s));
    stretches.flat_map(|s| &replay.recording.hold_s[s.first..s.end]).map(|s| f64::from(*s)).sum()
}
