//! The question of a study: recorded with some settings, what would others have done? The engine answers by solving the day again.

use regulator::study::{Model, ModelError, Replay};

use crate::cases::{CLOUDY, Case, STEPPING, VARYING};
use crate::engine::{model, recording, settings, solve};

/// Recorded, and to be predicted: days of the same shapes and the same kind of load, other bands, delays and compensators.
const PAIRS: [(Case, Case); 5] = [
    (VARYING[0], VARYING[3]),
    (VARYING[2], VARYING[4]),
    (CLOUDY[0], CLOUDY[4]),
    (CLOUDY[1], CLOUDY[3]),
    (STEPPING[0], STEPPING[3]),
];

#[test]
fn what_other_settings_would_have_done() {
    PAIRS.iter().for_each(|(recorded, other)| foretells(recorded, other));
}

fn foretells(recorded: &Case, other: &Case) {
    let (was, truth) = (recording(&solve(recorded)), recording(&solve(other)));
    let truly = Replay::new(&truth, model(other)).recorded_track();
    let foretold = |model: Model| {
        let replay = Replay::new(&was, model);
        ModelError::between(&truth, &replay.track(&settings(other)), &truly, other.delay_s)
    };
    // Once with the source impedance known, once as if the source did not notice the tap.
    let (known, stiff) = (foretold(model(other)), foretold(Model { source: None, ..model(other) }));
    println!(
        "CHECK | operations of {}, foretold from those of {} | OpenDSS, the day solved again | {} | {}",
        other.name(),
        recorded.name(),
        known.recorded,
        known.predicted
    );
    let percent = |share: Option<f64>| 100.0 * share.unwrap();
    println!(
        "      | {:.1} % of the moves matched within one delay, {:.2} % of the time at another tap; without the source impedance {} operations, {:.1} %, {:.2} %",
        percent(known.matched_share()),
        percent(known.apart_share()),
        stiff.predicted,
        percent(stiff.matched_share()),
        percent(stiff.apart_share()),
    );
    let (theirs, ours) = (known.recorded, known.predicted);
    assert!(ours.abs_diff(theirs) <= (theirs / 50).max(2), "{ours} operations against {theirs}");
    // A load and a solar plant of constant power together have no one exponent, so a few moves come at other clouds.
    assert!(known.matched_share().unwrap() >= 0.9, "{known:?}");
}
