//! The answer for machines: JSON, and the map as CSV.

use std::fmt::Write as _;

use regulator::control::ControlSettings;
use regulator::study::Cell;
use regulator::study::setting::{CHOICES, SETTINGS};
use serde_json::{Map, Value, json};

use super::answer::Answer;

/// Everything as one JSON object, ending with a line break.
pub(super) fn json(answer: &Answer) -> serde_json::Result<String> {
    let comparison = &answer.comparison;
    let tried: Vec<Value> = answer
        .tried
        .iter()
        .zip(&comparison.tried)
        .map(|(settings, tried)| json!({"settings": named(settings), "outcome": tried.outcome, "by_load": tried.by_load}))
        .collect();
    let origins: Map<String, Value> = answer
        .in_force
        .origins
        .iter()
        .map(|(name, origin)| Ok(((*name).to_owned(), serde_json::to_value(origin)?)))
        .collect::<serde_json::Result<_>>()?;
    let whole = json!({
        "from": answer.from,
        "to": answer.to,
        "notes": answer.notes,
        "coverage": answer.coverage,
        "interval_s": answer.interval_s,
        "gap_s": answer.gap_s,
        "source_voltage": answer.source,
        "load_exponent": answer.model.load_exponent,
        "model_error": comparison.error,
        "trust": answer.trust,
        "doubts": answer.doubts,
        "recorded": comparison.recorded,
        "present": {"settings": named(&answer.present), "origins": origins,
            "outcome": comparison.present.outcome, "by_load": comparison.present.by_load},
        "tried": tried,
        "map": answer.map,
    });
    Ok(serde_json::to_string_pretty(&whole)? + "\n")
}

fn named(settings: &ControlSettings) -> Map<String, Value> {
    let numbers = SETTINGS.iter().filter_map(|s| Some((s.name.to_owned(), Value::from(s.get(settings)?))));
    let words = CHOICES.iter().map(|c| (c.name.to_owned(), Value::from(c.get(settings))));
    numbers.chain(words).collect()
}

/// One line a cell.
pub(super) fn map_csv(map: &[Vec<Cell>]) -> String {
    let mut text = "bandwidth_v,delay_s,operations,undone,out_of_band_s,outside_range_a_s,outside_range_b_s,wear_1,wear_1_6,wear_2\r\n"
        .to_owned();
    for c in map.iter().flatten() {
        write!(
            text,
            "{},{},{},{},{:.0},{:.0},{:.0},{:.3},{:.3},{:.3}\r\n",
            c.bandwidth_v,
            c.delay_s,
            c.operations,
            c.undone,
            c.out_of_band_s,
            c.outside_range_a_s,
            c.outside_range_b_s,
            c.wear.charge,
            c.wear.usual,
            c.wear.square
        )
        .expect("a string takes everything");
    }
    text
}
