//! What a band that widens while clouds pass saves, and what it costs.

use regulator::control::{ControlSettings, Widening};
use regulator::study::{Outcome, Replay};

use crate::cases::{CLOUDY, Case};
use crate::engine::{STEP_S, model, recording, settings, solve};

/// Hard limits, V: 2 V either side of the set voltage, closer than the wide band.
const HARD_V: (f64, f64) = (120.0, 124.0);

/// The engine's cloudy days, bands of up to 2 V, uncompensated: at most half of the operations, and no more time outside the hard limits.
#[test]
fn it_halves_the_operations_of_a_cloudy_day() {
    for case in CLOUDY.iter().filter(|case| case.compensator == (0.0, 0.0) && case.bandwidth_v <= 2.0) {
        halves(case);
    }
}

fn halves(case: &Case) {
    let name = case.name();
    let recording = recording(&solve(case));
    let replay = Replay::new(&recording, model(case));
    let set = settings(case);
    let widening = Widening { hard_low_v: HARD_V.0, hard_high_v: HARD_V.1, ..Widening::common() };
    let wide = ControlSettings { widening: Some(widening), ..set };
    let (before, after) = (replay.run(&set), replay.run(&wide));
    println!(
        "CHECK | operations of a day, set band against one that widens while ramps last, {name} | own model on the day of OpenDSS | {} | {}",
        before.operations, after.operations
    );
    let (was, is) = (outside_hard_limits_s(&replay, &before), outside_hard_limits_s(&replay, &after));
    for (what, outcome, outside_s) in [("set band", &before, was), ("widening band", &after, is)] {
        let (low, high) = outcome.voltage.extremes_v().unwrap();
        let quantile = |share| outcome.voltage.quantile_v(share).unwrap();
        println!(
            "      | {what}: {} undone within 5 min; out of the set band {:.1} % of the time; 5 % of it below {:.2} V, 5 % above {:.2} V; \
             lowest {low:.2} V, highest {high:.2} V; outside the hard limits {outside_s} s",
            outcome.undone,
            100.0 * outcome.out_of_band_s / outcome.covered_s,
            quantile(0.05),
            quantile(0.95),
        );
    }
    let loose = Widening { factor: 10.0, hard_low_v: 0.0, hard_high_v: 1000.0, ..widening };
    let loose = replay.run(&ControlSettings { widening: Some(loose), ..set });
    let loose_s = outside_hard_limits_s(&replay, &loose);
    println!(
        "      | without hard limits, and five times the bandwidth either side: {loose_s} s outside them"
    );
    assert!(before.operations >= 20, "{name}: {}", before.operations);
    assert!(
        2 * after.operations <= before.operations,
        "{name}: {} of {}",
        after.operations,
        before.operations
    );
    assert!(is <= was, "{name}: {is} s outside the hard limits, {was} s without widening");
    assert!(loose_s > was, "{name}: limits that change nothing show nothing");
    assert_eq!(after.outside_range_a_s, 0.0, "{name}");
}

fn outside_hard_limits_s(replay: &Replay<'_>, outcome: &Outcome) -> f64 {
    let runs = outcome.track.runs(replay.recording().len());
    let samples = runs.flat_map(|(first, end, tap)| (first..end).map(move |i| (i, tap)));
    let volts = samples.map(|(i, tap)| replay.inputs(i, tap).load_voltage_v);
    volts.map(|v| if v < HARD_V.0 || v > HARD_V.1 { STEP_S } else { 0.0 }).sum::<f64>().abs()
}
