//! Do both make the same taps?

use regulator::WindingType;
use regulator::compensator::PerUnitCurrent;
use regulator::control::{Control, Inputs};
use regulator::study::{ModelError, Replay};
use regulator::taps::TapChanger;

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
    let (moves, agreed, extra) = decision_by_decision(case, &told);
    println!(
        "CHECK | tap decisions, {name} | OpenDSS regulator control, step by step | {moves} | {agreed} and {extra} others"
    );
    assert!(theirs >= 10, "{name}: a day without taps shows nothing");
    // 2 % of the operations, or 2 where that is less than 2.
    assert!(ours.abs_diff(theirs) <= (theirs / 50).max(2), "{name}: {ours} operations against {theirs}");
    assert!(matched >= 0.95, "{name}: {error:?}");
    assert!(
        agreed * 100 >= moves * 99 && extra * 100 <= moves,
        "{name}: {agreed} of {moves}, {extra} others"
    );
}

/// The whole day from the engine's first tap.
fn freely(case: &Case, told: &[Told]) -> ModelError {
    let recording = recording(told);
    let replay = Replay::new(&recording, model(case));
    let predicted = replay.track(&settings(case));
    assert_eq!(predicted, replay.plain_track(&settings(case)));
    ModelError::between(&recording, &predicted, &replay.recorded_track(), case.delay_s)
}

/// Our control with the engine's tap at every step: the engine's moves, those of them that ours made at the same step, and moves of ours at
/// steps without one.
fn decision_by_decision(case: &Case, told: &[Told]) -> (usize, usize, usize) {
    let (settings, changer) = (settings(case), TapChanger::new(WindingType::A, 32));
    let (mut control, mut moves, mut agreed, mut extra) = (Control::new(), 0, 0, 0);
    for step in told {
        // The engine tells what is there after its tap; before it the voltage was less by the tap's ratio.
        let back = changer.ratio(f64::from(step.before)) / changer.ratio(f64::from(step.tap));
        let inputs = Inputs {
            load_voltage_v: step.load_v * back,
            source_voltage_v: step.source_v,
            current: PerUnitCurrent { in_phase: step.in_phase, lagging: step.lagging },
            tap: step.before,
            automatic: true,
            blocked: false,
        };
        let (theirs, ours) = (step.tap - step.before, control.look(&settings, STEP_S, &inputs).steps());
        moves += usize::from(theirs != 0);
        agreed += usize::from(theirs != 0 && ours == theirs);
        extra += usize::from(ours != 0 && ours != theirs);
    }
    (moves, agreed, extra)
}
