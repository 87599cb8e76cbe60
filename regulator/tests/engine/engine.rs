//! A day as the engine solves it.

use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};

use regulator::WindingType;
use regulator::compensator::Compensator;
use regulator::control::{ControlSettings, Regulation};
use regulator::study::{Model, Recording, Sample, SeriesDrop};
use regulator::taps::TapChanger;
use serde_json::json;

use crate::cases::Case;

/// Seconds between solutions, and between the taps of a sequence.
pub(crate) const STEP_S: f64 = 5.0;
/// Steps in a day.
pub(crate) const STEPS: usize = 17_280;
const CT_PRIMARY_A: f64 = 200.0;
const PT_RATIO: f64 = 60.0;
const SOURCE_OHM: [f64; 2] = [1.5, 2.0];
const LINE_OHM: [f64; 2] = [1.0, 2.0];

/// What the engine tells of one step, after its control has acted.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Told {
    pub(crate) source_v: f64,
    pub(crate) in_phase: f64,
    pub(crate) lagging: f64,
    pub(crate) tap: i32,
    pub(crate) load_v: f64,
    /// The tap before it acted.
    pub(crate) before: i32,
}

/// Has the engine solve a day.
pub(crate) fn solve(case: &Case) -> Vec<Told> {
    solve_with(case, &[*case]).into_iter().map(|told| told[0]).collect()
}

/// Has the engine solve the day of a case with regulators in series, from the source outwards: each with the settings of one of `units`.
pub(crate) fn solve_with(case: &Case, units: &[Case]) -> Vec<Vec<Told>> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let python = root.join("../.venv/bin/python");
    assert!(python.exists(), "no independent engine: run `make peers` (`make test` does)");
    let mut child = Command::new(python)
        .arg(root.join("tests/engine/engine.py"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let day = case.day();
    let settings = units.iter().map(|unit| {
        let ldc = [unit.compensator.0, unit.compensator.1];
        json!({ "set_v": unit.set_voltage_v, "band_v": unit.bandwidth_v, "delay_s": unit.delay_s, "ldc": ldc })
    });
    let order = json!({
        "settings": settings.collect::<Vec<_>>(), "inter_tap_s": STEP_S, "load_model": case.load.model(),
        "ct_primary_a": CT_PRIMARY_A, "source_ohm": SOURCE_OHM, "line_ohm": LINE_OHM, "dt_s": STEP_S,
        "control_mode": "time", "source_pu": day.source_pu, "load_kw": day.load_kw, "solar_kw": day.solar_kw,
    });
    child.stdin.take().unwrap().write_all(order.to_string().as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "the engine failed");
    let text = String::from_utf8(output.stdout).unwrap();
    let steps: Vec<Vec<Told>> = text.lines().map(step).collect();
    assert_eq!(steps.len(), STEPS);
    steps
}

fn step(line: &str) -> Vec<Told> {
    let fields: Vec<&str> = line.split(' ').collect();
    fields.as_chunks().0.iter().map(told).collect()
}

fn told([source_v, in_phase, lagging, tap, load_v, before]: &[&str; 6]) -> Told {
    let number = |field: &str| field.parse::<f64>().unwrap();
    Told {
        source_v: number(source_v),
        in_phase: number(in_phase),
        lagging: number(lagging),
        tap: tap.parse().unwrap(),
        load_v: number(load_v),
        before: before.parse().unwrap(),
    }
}

/// The same settings for our control.
pub(crate) fn settings(case: &Case) -> ControlSettings {
    let (resistance_v, reactance_v) = case.compensator;
    let forward = Regulation {
        set_voltage_v: case.set_voltage_v,
        bandwidth_v: case.bandwidth_v,
        delay_s: case.delay_s,
        compensator: Compensator { resistance_v, reactance_v },
    };
    ControlSettings { forward, inter_tap_s: STEP_S, ..ControlSettings::common() }
}

/// What our model is told of the circuit: construction, kind of load, impedance of the source.
pub(crate) fn model(case: &Case) -> Model {
    model_behind(case, SOURCE_OHM)
}

/// The same for the second of two in series: the line from the first.
pub(crate) fn model_behind_line(case: &Case) -> Model {
    model_behind(case, LINE_OHM)
}

fn model_behind(case: &Case, ohms: [f64; 2]) -> Model {
    let [resistance_v, reactance_v] = ohms.map(|ohm| ohm * CT_PRIMARY_A / PT_RATIO);
    Model {
        load_exponent: case.load.exponent(),
        source: Some(SeriesDrop { resistance_v, reactance_v }),
        ..Model::new(TapChanger::new(WindingType::A, 32))
    }
}

/// What a poller would have recorded.
#[expect(clippy::cast_precision_loss, reason = "steps of a day")]
pub(crate) fn recording(told: &[Told]) -> Recording {
    let sample = |(i, told): (usize, &Told)| Sample {
        load_voltage_v: Some(told.load_v),
        current: Some((told.in_phase, told.lagging)),
        tap: told.tap,
        ..Sample::new(i as f64 * STEP_S, told.source_v)
    };
    Recording::from_samples(&told.iter().enumerate().map(sample).collect::<Vec<_>>(), 60.0)
}
