//! The computing itself, on a thread that may block.

use regulator::control::ControlSettings;
use regulator::study::{
    Cell, Column, Comparison, Coverage, InForce, Model, Recording, Reduction, Replay, Sweep, Trust, doubts,
    outline,
};
use regulator::{Nameplate, Reading};

use super::{
    asked::{self, Asked, Faults, SLOTS, Typed},
    downstream::{self, Below, Felt},
};

/// Columns of a drawing.
pub(super) const COLUMNS: usize = 720;

/// What came of a study.
#[derive(Debug)]
pub(super) struct Done {
    pub(super) in_force: InForce,
    pub(super) present: ControlSettings,
    /// Name of the column, and its settings.
    pub(super) tried: Vec<(&'static str, ControlSettings)>,
    pub(super) coverage: Coverage,
    pub(super) comparison: Comparison,
    pub(super) trust: Trust,
    pub(super) doubts: Vec<String>,
    pub(super) map: Vec<Vec<Cell>>,
    /// What was recorded, then the present settings replayed, then those tried.
    pub(super) outlines: Vec<Vec<Option<Column>>>,
    /// What the regulators that it feeds feel of it.
    pub(super) downstream: Vec<Felt>,
    pub(super) gap_s: f64,
    pub(super) gaps: u32,
    pub(super) skipped_s: f64,
}

/// Why nothing came of it.
#[derive(Debug)]
pub(super) enum NotDone {
    /// Fields to change.
    Faults(Faults),
    /// No reading, or none that can be used; says why.
    Nothing(String),
}

/// Computes a study.
pub(super) fn compute(
    typed: &Typed,
    asked: &Asked,
    nameplate: &Nameplate,
    readings: &[Reading],
    below: &[Below],
) -> Result<Done, NotDone> {
    let in_force = InForce::of(readings, nameplate);
    let mut faults = Faults::new();
    let steps = i32::try_from(nameplate.step_count / 2).unwrap_or(16);
    let present = asked::settings(typed, SLOTS[0], in_force.settings, steps, &mut faults);
    let tried: Vec<_> = SLOTS[1..]
        .iter()
        .filter(|slot| asked::is_tried(typed, slot))
        .map(|slot| (*slot, asked::settings(typed, slot, present, steps, &mut faults)))
        .collect();
    if !faults.is_empty() {
        return Err(NotDone::Faults(faults));
    }
    let common = Reduction::common(asked.from, nameplate).spaced_as(readings);
    let reduction = Reduction { source: asked.source, assumed_power_factor: asked.power_factor, ..common };
    let (recording, coverage) = Recording::from_readings(readings, nameplate, &reduction);
    if recording.len() < 2 {
        return Err(NotDone::Nothing(nothing(&coverage)));
    }
    let model = Model { load_exponent: asked.load_exponent, ..Model::of(nameplate) };
    let replay = Replay::new(&recording, model);
    let settings: Vec<_> = tried.iter().map(|(_, settings)| *settings).collect();
    let upstream: Vec<_> = std::iter::once(present).chain(settings.iter().copied()).collect();
    let downstream = downstream::compute(asked, &replay, &upstream, below);
    let comparison = Comparison::of(&replay, &present, &settings);
    let span_s = (0.0, (asked.to - asked.from).as_seconds_f64());
    let recorded = outline(replay.recorded_trace(&comparison.recorded.track), span_s, COLUMNS);
    let runs = std::iter::once(&comparison.present).chain(&comparison.tried);
    let outlines = std::iter::once(recorded)
        .chain(runs.map(|run| outline(replay.trace(&run.outcome.track), span_s, COLUMNS)))
        .collect();
    Ok(Done {
        // One thread: the others are for the pages of other people.
        map: Sweep::around(present).map(&replay, 1),
        trust: Trust::of(&comparison.error),
        doubts: doubts(&comparison, &coverage, &recording, &model, &present),
        gap_s: reduction.gap_s,
        gaps: recording.gaps(),
        skipped_s: recording.gap_s(),
        in_force,
        present,
        tried,
        coverage,
        comparison,
        outlines,
        downstream,
    })
}

fn nothing(coverage: &Coverage) -> String {
    if coverage.readings == 0 {
        return "There is no reading in this span. Choose a span in which the regulator was polled."
            .to_owned();
    }
    format!(
        "None of the {} readings of this span can be used: {} have no usable voltage, {} no tap. A study needs the load voltage and the tap, or \
         both voltages.",
        coverage.readings, coverage.without_voltage, coverage.without_tap
    )
}
