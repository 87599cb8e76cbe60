//! A band that widens under clouds, tried on the simulated panels: by a study of recorded readings, and then in the physics itself, which
//! the study has not seen.

use std::fmt::Write;

use chrono::TimeDelta;
use regulator::control::{ControlSettings, Widening};
use regulator::study::{Model, Outcome, Recording, Reduction, Replay};
use regulator::{Reading, Timestamp};

use crate::plan::utility;
use crate::{Fleet, history};

/// A narrow band of 1.5 V widens to 4.5 V while it ramps; the limits are those of ANSI C84.1 range A (from memory).
const WIDENING: Widening = Widening { ramp_v: 0.5, factor: 3.0, hold_s: 1200.0, ..Widening::common() };

/// Some days of the regulators at the panels, polled every ten seconds.
fn recorded(from: Timestamp, widening: Option<Widening>) -> (Fleet, Vec<Vec<Reading>>) {
    let mut fleet = Fleet::new(1, from);
    let numbers = fleet.plan.regulators_at(utility::CLOUD_SITE);
    for number in &numbers {
        fleet.plan.regulators[*number].settings.widening = widening;
    }
    let mut readings = vec![vec![]; numbers.len()];
    for polled in history(&mut fleet, from, from + TimeDelta::days(3), TimeDelta::seconds(10)) {
        for (of, number) in readings.iter_mut().zip(&numbers) {
            of.extend(polled.readings.iter().find(|(n, _)| n == number).map(|(_, r)| r.clone()));
        }
    }
    (fleet, readings)
}

fn row(what: &str, phase: &str, outcome: &Outcome) -> String {
    let hours = |s: f64| s / 3600.0;
    let (low, high) = outcome.voltage.extremes_v().unwrap();
    format!(
        "| {phase} | {what} | {} | {} | {:.1} | {:.2} | {low:.1} to {high:.1} | {:.1} to {:.1} | {:.0} |\n",
        outcome.operations,
        outcome.undone,
        hours(outcome.out_of_band_s),
        hours(outcome.outside_range_a_s),
        outcome.voltage.quantile_v(0.05).unwrap(),
        outcome.voltage.quantile_v(0.95).unwrap(),
        outcome.wear.usual,
    )
}

#[test]
fn a_widening_band_halves_the_operations_under_clouds_and_leaves_the_limits_kept() {
    let from: Timestamp = "2026-10-22T06:00:00Z".parse().unwrap();
    let (fleet, readings) = recorded(from, None);
    let (_, widened) = recorded(from, Some(WIDENING));
    let mut table = "| Phase | Settings | Operations | Undone | Out of the set band, h | Outside range A, h | Voltage | 5 to 95 % | Wear |\n\
        |---|---|--:|--:|--:|--:|--:|--:|--:|\n"
        .to_owned();
    for (i, number) in fleet.plan.regulators_at(utility::CLOUD_SITE).into_iter().enumerate() {
        let unit = &fleet.plan.regulators[number];
        let reduction = Reduction::common(from, &unit.nameplate);
        let (recording, _) = Recording::from_readings(&readings[i], &unit.nameplate, &reduction);
        let replay = Replay::new(&recording, Model::of(&unit.nameplate));
        let present = unit.settings;
        let wider = ControlSettings { widening: Some(WIDENING), ..present };
        let (was, modelled, would_be) = (replay.recorded(&present), replay.run(&present), replay.run(&wider));
        let (recording, _) = Recording::from_readings(&widened[i], &unit.nameplate, &reduction);
        let became = Replay::new(&recording, Model::of(&unit.nameplate)).recorded(&present);
        for (what, outcome) in [
            ("as recorded", &was),
            ("present, replayed", &modelled),
            ("widening, replayed", &would_be),
            ("widening, in the physics", &became),
        ] {
            let _ = write!(table, "{}", row(what, unit.phase.name(), outcome));
        }
        assert!(was.operations > 100, "days of clouds: {}", was.operations);
        let close = |a: u64, b: u64| a.abs_diff(b) * 5 <= b;
        assert!(close(modelled.operations, was.operations), "the model does not give back the past\n{table}");
        for outcome in [&would_be, &became] {
            assert!(2 * outcome.operations <= was.operations, "not halved\n{table}");
            assert!(
                outcome.outside_range_a_s <= was.outside_range_a_s,
                "outside the limits for longer\n{table}"
            );
        }
        // The study, which takes the supply as it was, foretells what the physics does.
        assert!(would_be.operations.abs_diff(became.operations) * 4 <= became.operations, "{table}");
    }
    println!("{table}");
}
