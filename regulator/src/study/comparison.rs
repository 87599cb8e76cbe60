//! A whole study: what was recorded, the present settings replayed, and others tried, with how far to believe it.
//!
//! The same question and answer for the page and the command. The words about trust are here too, so that both say the same.

use serde::Serialize;

use super::coverage::Coverage;
use super::figures::Figure;
use super::model::Model;
use super::model_error::{ModelError, load_spread, model_error};
use super::outcome::Outcome;
use super::recording::Recording;
use super::replay::Replay;
use crate::control::ControlSettings;

/// What came of some settings.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Tried {
    /// Under the load that the model assumes.
    pub outcome: Outcome,
    /// The same under loads of constant power, current and impedance; the exponent with each.
    pub by_load: [(f64, Outcome); 3],
}

impl Tried {
    fn of(replay: &Replay<'_>, settings: &ControlSettings) -> Self {
        let by_load = load_spread(replay.recording(), replay.model(), settings);
        Self { outcome: replay.run(settings), by_load }
    }

    /// Lowest and highest of a figure over the loads.
    #[must_use]
    pub fn spread(&self, figure: &Figure) -> Option<(f64, f64)> {
        let values = self.by_load.iter().filter_map(|(_, outcome)| figure.value(outcome));
        values.chain(figure.value(&self.outcome)).fold(None, |spread, v| match spread {
            None => Some((v, v)),
            Some((low, high)) => Some((v.min(low), v.max(high))),
        })
    }
}

/// The answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// The present settings replayed, against what was recorded.
    pub error: ModelError,
    /// What was recorded, judged by the present band.
    pub recorded: Outcome,
    /// The present settings replayed.
    pub present: Tried,
    /// The settings tried, in the order asked.
    pub tried: Vec<Tried>,
}

impl Comparison {
    /// Replays the present settings and those tried over a recording.
    #[must_use]
    pub fn of(replay: &Replay<'_>, present: &ControlSettings, tried: &[ControlSettings]) -> Self {
        Self {
            error: model_error(replay, present),
            recorded: replay.recorded(present),
            present: Tried::of(replay, present),
            tried: tried.iter().map(|settings| Tried::of(replay, settings)).collect(),
        }
    }
}

/// How far a model that makes this error can be trusted. The limits are this project's own choice.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Trust {
    /// Operations within 10 %, four of five at their time.
    Well,
    /// Operations within 30 %, half of them at their time.
    Roughly,
    /// Worse than that.
    Poorly,
    /// Fewer than twenty operations on both sides.
    CannotTell,
}

/// Fewer operations than this say nothing about a model.
const FEW: u64 = 20;

impl Trust {
    /// Of this error.
    #[must_use]
    pub fn of(error: &ModelError) -> Self {
        if error.recorded.max(error.predicted) < FEW {
            return Self::CannotTell;
        }
        let ratio = error.operations_ratio().unwrap_or(f64::INFINITY);
        let matched = error.matched_share().unwrap_or(0.0).min(error.true_share().unwrap_or(0.0));
        if (0.9..=1.1).contains(&ratio) && matched >= 0.8 {
            Self::Well
        } else if (0.7..=1.3).contains(&ratio) && matched >= 0.5 {
            Self::Roughly
        } else {
            Self::Poorly
        }
    }

    /// A word.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Well => "good",
            Self::Roughly => "rough",
            Self::Poorly => "poor",
            Self::CannotTell => "cannot tell",
        }
    }

    /// What to make of it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Well => {
                "The model gives back what happened, operation by operation. Differences between settings that are clearly larger than \
                 its error are evidence about the settings."
            }
            Self::Roughly => {
                "The model gives back what happened in outline, not operation by operation. Believe which settings are better and by \
                 about how much, not single figures."
            }
            Self::Poorly => {
                "The model does not give back what happened, so it says little about other settings. Look first at the doubts below, and \
                 whether the present settings are those of the control."
            }
            Self::CannotTell => {
                "Fewer than twenty operations, recorded or predicted: too few to tell whether the model is right. Take a longer span."
            }
        }
    }
}

/// What stands in the way of belief, in sentences, the weightiest first. None is the best case.
#[must_use]
#[expect(clippy::cast_precision_loss, reason = "counts of this size divide exactly enough")]
pub fn doubts(
    comparison: &Comparison,
    coverage: &Coverage,
    recording: &Recording,
    model: &Model,
    present: &ControlSettings,
) -> Vec<String> {
    let mut doubts = vec![];
    let share = |part: u64, of: u64| if of > 0 { 100.0 * part as f64 / of as f64 } else { 0.0 };
    let recorded = comparison.error.recorded;
    if let Some(counted) = coverage.counted_operations.filter(|n| *n as f64 > 1.1 * recorded as f64 + 5.0) {
        doubts.push(format!(
            "The control's own counter went up by {counted}, the recorded taps show {recorded}: some were undone between two readings, or made by hand."
        ));
    }
    let interval_s = recording.interval_s();
    if interval_s > 15.0 || interval_s > present.forward.delay_s {
        doubts.push(format!(
            "Readings are {interval_s:.0} s apart: what the voltage did in between is not known, and taps that came and went are not seen."
        ));
    }
    let lost = coverage.readings - coverage.samples;
    if share(lost, coverage.readings) >= 1.0 {
        doubts.push(format!(
            "{lost} of {} readings could not be used: {} without a usable voltage, {} without a tap.",
            coverage.readings, coverage.without_voltage, coverage.without_tap
        ));
    }
    if recording.gap_s() > 0.01 * (recording.gap_s() + recording.covered_s()) {
        doubts.push(format!(
            "{} gaps, {:.1} h in all, are skipped; after each the replayed control starts its delay afresh.",
            recording.gaps(),
            recording.gap_s() / 3600.0
        ));
    }
    if comparison.recorded.manual_s > 0.01 * comparison.recorded.covered_s {
        doubts.push(format!(
            "The control was in manual for {:.1} h, during which every replay has the recorded taps.",
            comparison.recorded.manual_s / 3600.0
        ));
    }
    for (count, words) in [
        (
            coverage.tap_inferred,
            "had no tap of their own: that of the reading before, or that implied by the voltages, is taken",
        ),
        (coverage.measured_instead, "had no load voltage: the measured source voltage is taken"),
        (
            coverage.without_current,
            "had no usable current: compensation, reversed power and wear are not known there",
        ),
        (
            coverage.automatic_assumed,
            "did not say whether the control was in automatic: it is taken to have been",
        ),
    ] {
        let percent = share(count, coverage.readings);
        if percent >= 1.0 {
            doubts.push(format!("{percent:.0} % of the readings {words}."));
        }
    }
    doubts.extend(source_side_doubt(comparison));
    let off = coverage.disagreement;
    let step_v = model.changer.step() * model.voltage_base_v;
    if off.count > 0 && (off.mean_v.abs() > 0.75 * step_v || off.deviation_v > 0.75 * step_v) {
        doubts.push(format!(
            "The two voltages disagree with the tap by {:+.2} V on average, {:.2} V standard deviation (a step is {step_v:.2} V): meters, drop in the \
             unit, or a wrong tap report.",
            off.mean_v, off.deviation_v
        ));
    }
    doubts
}

/// What regulating the source side rests on, and where it rests on nothing.
fn source_side_doubt(comparison: &Comparison) -> Option<String> {
    let outcomes = || std::iter::once(&comparison.present).chain(&comparison.tried).map(|t| &t.outcome);
    let longest_h = |s: fn(&Outcome) -> f64| outcomes().map(s).fold(0.0, f64::max) / 3600.0;
    let (all_h, unknown_h) = (longest_h(|o| o.source_side_s), longest_h(|o| o.source_unknown_s));
    (all_h > 0.0).then(|| {
        let without = if unknown_h > 0.0 {
            format!(" For {unknown_h:.1} h of it cannot tell: no source voltage was measured, and the replayed control stays.")
        } else {
            String::new()
        };
        format!(
            "The source side is regulated for {all_h:.1} h of reversed power, by its voltage as measured, which is taken not to answer the tap \
             (generation behind the unit). Where the feeder is fed from the load side it does answer, and the replay is wrong.{without}"
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::{FIGURES, Sample};

    fn error(predicted: u64, recorded: u64, matched: u64) -> ModelError {
        ModelError { predicted, recorded, matched, within_s: 40.0, apart_s: 0.0, covered_s: 86_400.0 }
    }

    #[test]
    fn trust_goes_with_the_error() {
        assert_eq!(Trust::of(&error(100, 100, 95)), Trust::Well);
        assert_eq!(Trust::of(&error(109, 100, 85)), Trust::Roughly, "78 % of the predicted ones are true");
        assert_eq!(Trust::of(&error(120, 100, 70)), Trust::Roughly);
        assert_eq!(Trust::of(&error(100, 100, 40)), Trust::Poorly);
        assert_eq!(Trust::of(&error(150, 100, 100)), Trust::Poorly);
        assert_eq!(Trust::of(&error(19, 3, 3)), Trust::CannotTell);
        assert_eq!(Trust::of(&error(50, 0, 0)), Trust::Poorly, "operations that never were");
    }

    /// The voltage of a load of constant impedance or power does not matter where no impedance is modelled and nothing is compensated; with
    /// compensation the current counts, and so does the load.
    #[test]
    fn the_spread_over_loads_opens_with_compensation() {
        let sample = |i: i32| {
            let at_s = 10.0 * f64::from(i);
            let swing = (at_s / 900.0).sin();
            Sample { current: Some((0.8 + 0.3 * swing, 0.2)), ..Sample::new(at_s, 119.0 - 3.0 * swing) }
        };
        let samples: Vec<_> = (0..4000).map(sample).collect();
        let recording = Recording::from_samples(&samples, 60.0);
        let replay = Replay::new(&recording, Model::default());
        let present = ControlSettings::common();
        let mut compensated = present;
        compensated.forward.compensator.resistance_v = 6.0;
        let answer = Comparison::of(&replay, &present, &[compensated]);
        let median = FIGURES.iter().find(|f| f.name == "voltage_50_v").unwrap();
        let (low, high) = answer.present.spread(median).unwrap();
        assert_eq!(low, high);
        let (low, high) = answer.tried[0].spread(median).unwrap();
        assert!(low < high, "{low} {high}");
        assert_eq!(answer.tried[0].outcome, replay.run(&compensated));
        assert!(answer.tried[0].outcome.operations > 0);
    }
}
