//! Do both make the same taps?

use regulator::control::{Control, ControlSettings, Inputs};
use regulator::study::{ModelError, Replay};

use crate::cases::{CLOUDY, Case, STEPPING, VARYING};
use crate::engine::{STEP_S, Told, model, recording, settings, solve};

#[test]
fn a_day_of_varying_load() {
    VARYING.iter().for_each(agrees);
}

#[test]
fn a_day_of_clouds() {
    CLOUDY.iter().for_each(agrees);
}

#[test]
fn a_day_of_source_steps() {
    STEPPING.iter().for_each(agrees);
}

fn agrees(case: &Case) {
    let told = solve(case);
    let (name, error) = (case.name(), freely(case, &told));
    let (theirs, ours) = (error.recorded, error.predicted);
    println!(
        "CHECK | tap operations a day, {name} | OpenDSS regulator control, free run | {theirs} | {ours}"
    );
    let matched = error.matched_share().unwrap();
    println!(
        "CHECK | tap moves matched within one delay, {name} | OpenDSS regulator control, free run | {theirs} | {}",
        error.matched
    );
    println!("      | time at another tap {:.2} %", 100.0 * error.apart_share().unwrap());
    let Decisions { moves, agreed, early, extra } = decision_by_decision(case, &told);
    println!(
        "CHECK | tap decisions, {name} | OpenDSS regulator control, step by step | {moves} | {agreed} the same, {early} before their delay, {extra} of ours alone"
    );
    assert!(theirs >= 10, "{name}: a day without taps shows nothing");
    // 2 % of the operations, or 2 where that is less than 2.
    assert!(ours.abs_diff(theirs) <= (theirs / 50).max(2), "{name}: {ours} operations against {theirs}");
    assert!(matched >= 0.95, "{name}: {error:?}");
    assert!((agreed + early) * 100 >= moves * 99, "{name}: {agreed} and {early} of {moves}");
    assert!(agreed * 100 >= moves * 90 && extra * 100 <= moves, "{name}: {agreed} of {moves}, {extra} more");
}

/// The whole day from the engine's first tap.
fn freely(case: &Case, told: &[Told]) -> ModelError {
    let recording = recording(told);
    let replay = Replay::new(&recording, model(case));
    let predicted = replay.track(&settings(case));
    assert_eq!(predicted, replay.plain_track(&settings(case)));
    ModelError::between(&recording, &predicted, &replay.recorded_track(), case.delay_s)
}

/// How our control decides with the engine's tap at every step.
#[derive(Debug, Default)]
struct Decisions {
    /// Steps at which the engine moved.
    moves: usize,
    /// Those at which ours moved the same way.
    agreed: usize,
    /// Those at which ours waits on, and the voltage has not been out of band on that side for the delay: see the head of `main.rs`.
    early: usize,
    /// Steps at which only ours moved.
    extra: usize,
}

fn decision_by_decision(case: &Case, told: &[Told]) -> Decisions {
    let (settings, recording) = (settings(case), recording(told));
    let replay = Replay::new(&recording, model(case));
    let (mut control, mut decisions) = (Control::new(), Decisions::default());
    let (mut side, mut out_s) = (0, 0.0);
    for (i, step) in told.iter().enumerate() {
        let inputs = replay.inputs(i, step.before);
        let now = side_of_band(&settings, &inputs);
        out_s = if now == side { out_s + STEP_S } else { 0.0 };
        side = now;
        let (theirs, ours) = (step.tap - step.before, control.look(&settings, STEP_S, &inputs).steps());
        decisions.moves += usize::from(theirs != 0);
        decisions.agreed += usize::from(theirs != 0 && ours == theirs);
        decisions.early += usize::from(theirs != 0 && ours == 0 && out_s < case.delay_s);
        decisions.extra += usize::from(ours != 0 && ours != theirs);
    }
    decisions
}

/// -1 below the band, 0 in it, 1 above.
fn side_of_band(settings: &ControlSettings, inputs: &Inputs) -> i32 {
    let forward = &settings.forward;
    let off =
        forward.compensator.relay_voltage(inputs.load_voltage_v, inputs.current) - forward.set_voltage_v;
    i32::from(off > 0.5 * forward.bandwidth_v) - i32::from(off < -0.5 * forward.bandwidth_v)
}
