//! What the settings tried on a regulator would do to those that it feeds: a replay in series.

use std::sync::Arc;

use regulator::study::{FIGURES, InForce, Model, Outcome, Recording, Reduction, Replay, Stage, cascade};
use regulator::{Reading, control::ControlSettings};
use web::study::{Downstream, Row};

use super::{Subject, asked::Asked, draw, form};
use crate::picture::Fleet;

/// Regulators replayed in series with the one studied, at most.
const MOST: usize = 3;
/// What is told of each.
const TOLD: [&str; 5] = ["operations", "undone", "out_of_band_s", "outside_range_a_s", "outside_range_b_s"];

/// A regulator at the next site downstream, of the same phase, and its readings.
#[derive(Debug)]
pub(super) struct Below {
    pub(super) subject: Subject,
    pub(super) readings: Vec<Reading>,
}

/// What came of it: as recorded, with the present settings upstream, and with each of those tried.
#[derive(Debug)]
pub(super) struct Felt {
    whose: String,
    site: i32,
    outcomes: Vec<Outcome>,
}

/// The regulators that this one feeds next.
pub(super) fn of(fleet: &Fleet, above: &Subject) -> Vec<Subject> {
    let own = &above.regulator;
    let fed = |r: &crate::inventory::Regulator| r.fed_from == Some(own.site.id) && r.phase == own.phase;
    let units = fleet.units().iter().filter(|unit| fed(&unit.regulator));
    units
        .map(|unit| Subject { regulator: Arc::clone(&unit.regulator), name: form::name(unit) })
        .take(MOST)
        .collect()
}

/// Replays each with the one above; one whose readings cannot be used is left out.
pub(super) fn compute(
    asked: &Asked,
    above: &Replay<'_>,
    upstream: &[ControlSettings],
    below: &[Below],
) -> Vec<Felt> {
    below.iter().filter_map(|below| felt(asked, above, upstream, below)).collect()
}

fn felt(asked: &Asked, above: &Replay<'_>, upstream: &[ControlSettings], below: &Below) -> Option<Felt> {
    let nameplate = &below.subject.regulator.nameplate;
    let own = InForce::of(&below.readings, nameplate).settings;
    let common = Reduction::common(asked.from, nameplate).spaced_as(&below.readings);
    let reduction = Reduction { source: asked.source, assumed_power_factor: asked.power_factor, ..common };
    let (recording, _) = Recording::from_readings(&below.readings, nameplate, &reduction);
    if recording.len() < 2 {
        return None;
    }
    let model = Model { load_exponent: asked.load_exponent, ..Model::of(nameplate) };
    let replay = Replay::new(&recording, model);
    let mut outcomes = vec![replay.recorded(&own)];
    for settings in upstream {
        let stages = [Stage { replay: above, settings: *settings }, Stage { replay: &replay, settings: own }];
        outcomes.extend(cascade(&stages).pop());
    }
    Some(Felt { whose: below.subject.name.clone(), site: below.subject.regulator.site.id, outcomes })
}

/// As the page shows them.
pub(super) fn shown(felt: &[Felt]) -> Vec<Downstream> {
    let rows = |felt: &Felt| {
        let told = FIGURES.iter().filter(|figure| TOLD.contains(&figure.name));
        told.map(|figure| Row {
            title: figure.title.to_owned(),
            cells: felt.outcomes.iter().map(|outcome| draw::cell(figure, outcome, None)).collect(),
        })
        .collect()
    };
    felt.iter().map(|f| Downstream { whose: f.whose.clone(), site: f.site, rows: rows(f) }).collect()
}
