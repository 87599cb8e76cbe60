//! Two regulators in series: recorded with some settings, foretold with others, and solved again by the engine.

use regulator::study::{ModelError, Replay, Stage, cascade};

use crate::cases::{CLOUDY, Case, STEPPING};
use crate::engine::{Told, model, model_behind_line, recording, settings, solve_with};

/// Settings of head and tail as recorded, and as tried: the tried head holds 2 V more, in a narrower band and slower than the tail.
fn settings_of(case: &Case) -> [[Case; 2]; 2] {
    let set = |set_voltage_v, bandwidth_v, delay_s| Case { set_voltage_v, bandwidth_v, delay_s, ..*case };
    [[set(122.0, 2.0, 30.0), set(122.0, 2.0, 45.0)], [set(124.0, 1.5, 90.0), set(121.0, 2.5, 30.0)]]
}

#[test]
fn two_in_series() {
    // Of constant power, so that what the tail does changes nothing for the head, as the cascade assumes.
    [CLOUDY[0], STEPPING[0]].iter().for_each(foretells);
}

fn foretells(case: &Case) {
    let [as_recorded, tried] = settings_of(case);
    let (was, truth) = (solve_with(case, &as_recorded), solve_with(case, &tried));
    let of = |solved: &[Vec<Told>], place: usize| {
        recording(&solved.iter().map(|step| step[place]).collect::<Vec<_>>())
    };
    let recordings = [of(&was, 0), of(&was, 1)];
    let models = [model(case), model_behind_line(case)];
    let replays = [0, 1].map(|place| Replay::new(&recordings[place], models[place]));
    let stages = [0, 1].map(|place| Stage { replay: &replays[place], settings: settings(&tried[place]) });
    let outcomes = cascade(&stages);
    for (place, what) in ["head", "tail"].iter().enumerate() {
        let truth = of(&truth, place);
        let truly = Replay::new(&truth, models[place]).recorded_track();
        let error = ModelError::between(&truth, &outcomes[place].track, &truly, tried[place].delay_s);
        // What it would be if the tail saw its recorded voltage.
        let alone = ModelError::between(
            &truth,
            &replays[place].track(&stages[place].settings),
            &truly,
            tried[place].delay_s,
        );
        println!(
            "CHECK | operations of the {what} of two in series, {:?} day, foretold for other settings of both | OpenDSS, the day solved again | {} | {}",
            case.change, error.recorded, error.predicted
        );
        println!(
            "      | {:.1} % of the moves matched within one delay, {:.2} % of the time at another tap; each alone {} operations, {:.1} %, {:.2} %",
            100.0 * error.matched_share().unwrap(),
            100.0 * error.apart_share().unwrap(),
            alone.predicted,
            100.0 * alone.matched_share().unwrap(),
            100.0 * alone.apart_share().unwrap(),
        );
        let off = error.predicted.abs_diff(error.recorded);
        // The engine had settled before its day; ours starts where the recording does, three taps or so away.
        assert!(off <= 3 + error.recorded / 50, "{what}: {error:?}");
        assert!(error.matched_share().unwrap() >= 0.95, "{what}: {error:?}");
    }
}
