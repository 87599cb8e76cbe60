//! How fast a settings study is: the replay beside a bare loop over the voltages, a look at every sample, and a plain loop in Python.
//!
//! All run in turn in this process (Python as a child of it), on one thread unless said. Quote the ratios, not the times; the promises are
//! rates that hold with room on any machine of today.
#![allow(clippy::unwrap_used, clippy::cast_precision_loss, missing_docs, reason = "a bench")]

use std::hint::black_box;
use std::io::Write as _;
use std::process::{Command, Stdio};
use std::time::Instant;

use regulator::compensator::Compensator;
use regulator::control::{ControlSettings, ReverseBehaviour, Widening};
use regulator::study::{Model, Recording, Replay, Sample, SeriesDrop, Sweep};

const DAY: usize = 8_640;
const INTERVAL_S: f64 = 10.0;

fn main() {
    let year = recording(365);
    let rates = replays(&year);
    python(&year, rates);
    engine(&year, rates);
    sweep(&recording(30));
}

/// Days of 10 s samples: a daily swing of source voltage and load, slow wander, a little noise, and clouds on some days.
fn recording(days: usize) -> Recording {
    let mut chance = 1_u64;
    let mut draw = move || {
        chance = chance.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (chance >> 40) as f64 / (1_u64 << 23) as f64 - 1.0
    };
    let (mut wander, mut cloud) = (0.0, 0.0);
    let sample = |i: usize| {
        let hour = (i % DAY) as f64 / DAY as f64 * 24.0;
        let swing = ((hour - 18.0) * std::f64::consts::PI / 12.0).cos();
        wander = 0.9995 * wander + 0.03 * draw();
        cloud = 0.99 * cloud
            + if (i / DAY).is_multiple_of(3) && (9.0..16.0).contains(&hour) { 0.15 * draw() } else { 0.0 };
        let source_v = 120.0 - 1.5 * swing + wander + cloud + 0.05 * draw();
        let load = 0.5 + 0.3 * swing - 0.05 * cloud;
        let mut sample = Sample::new(i as f64 * INTERVAL_S, source_v);
        sample.current = Some((load, 0.3 * load));
        sample
    };
    let samples: Vec<Sample> = (0..days * DAY).map(sample).collect();
    Recording::from_samples(&samples, 60.0)
}

/// The best of eight, seconds: others may use the machine.
fn best(mut work: impl FnMut()) -> f64 {
    let time = |work: &mut dyn FnMut()| {
        let begun = Instant::now();
        work();
        begun.elapsed().as_secs_f64()
    };
    (0..8).map(|_| time(&mut work)).fold(f64::INFINITY, f64::min)
}

const fn verdict(kept: bool) -> &'static str {
    if kept { "kept" } else { "NOT KEPT" }
}

/// The least that a control does, over an array of voltages: operations.
fn bare(source_v: &[f32], settings: &ControlSettings) -> u64 {
    let changer = Model::default().changer;
    let (low, high) = (
        settings.forward.set_voltage_v - 0.5 * settings.forward.bandwidth_v,
        settings.forward.set_voltage_v + 0.5 * settings.forward.bandwidth_v,
    );
    let (mut tap, mut ratio, mut operations) = (0_i32, 1.0, 0);
    let (mut side, mut left_s) = (0, 0.0);
    for v in source_v {
        let v = f64::from(*v) * ratio;
        let now = i32::from(v < low) - i32::from(v > high);
        if now == 0 {
            side = 0;
            continue;
        }
        if side == now {
            left_s -= INTERVAL_S;
        } else {
            (side, left_s) = (now, settings.forward.delay_s);
        }
        if left_s <= 0.0 && (-16..=16).contains(&(tap + now)) {
            tap += now;
            operations += 1;
            ratio = changer.ratio(f64::from(tap));
            left_s = settings.inter_tap_s;
        }
    }
    operations
}

/// Times a year's replay several ways; the rate of the ordinary one, samples a second.
fn replays(year: &Recording) -> f64 {
    let common = ControlSettings::common();
    let mut compensated = common;
    compensated.forward.set_voltage_v = 120.0;
    compensated.forward.compensator = Compensator { resistance_v: 3.0, reactance_v: 3.0 };
    let mut blocking = common;
    blocking.reverse_behaviour = ReverseBehaviour::Block;
    let mut widening = common;
    widening.widening = Some(Widening::common());
    let mut often_wide = common;
    often_wide.widening = Some(Widening { ramp_v: 0.15, ..Widening::common() });
    let mut wide_far_off = compensated;
    wide_far_off.widening = often_wide.widening;
    let mut sagging = Model { load_exponent: 0.6, ..Model::default() };
    sagging.source = Some(SeriesDrop { resistance_v: 2.0, reactance_v: 4.0 });
    sagging.own = Some(SeriesDrop { resistance_v: 0.1, reactance_v: 0.3 });

    let (plain, line) = (Replay::new(year, Model::default()), Replay::new(year, sagging));
    let source_v: Vec<f32> = year.source_voltages_v().collect();
    let rate = |work: &mut dyn FnMut() -> u64| {
        let mut operations = 0;
        let seconds = best(|| operations = black_box(work()));
        (year.len() as f64 / seconds, operations)
    };
    let (bare_rate, bare_operations) = rate(&mut || bare(&source_v, &common));
    println!("\nA year of 10 s samples ({} of them) through the control, one thread", year.len());
    println!("  what                                        operations   samples/s   of a bare loop");
    let show = |what: &str, (rate, operations): (f64, u64)| {
        println!("  {what:<44}{operations:>10}{:>10.0} M{:>12.2}", rate / 1e6, rate / bare_rate);
    };
    show("bare loop over the voltages", (bare_rate, bare_operations));
    let ordinary = rate(&mut || plain.track(&common).operations());
    show("replay", ordinary);
    show("replay, with all the figures of an outcome", rate(&mut || plain.run(&common).operations));
    show("replay, compensator", rate(&mut || plain.track(&compensated).operations()));
    show("replay, compensator, impedances", rate(&mut || line.track(&compensated).operations()));
    show("replay, blocked while reversed", rate(&mut || plain.track(&blocking).operations()));
    let widened = rate(&mut || plain.track(&widening).operations());
    show("replay, widening band", widened);
    show("replay, widening band, often wide", rate(&mut || plain.track(&often_wide).operations()));
    show("replay, the same, compensator", rate(&mut || plain.track(&wide_far_off).operations()));
    show("a look at every sample", rate(&mut || plain.plain_track(&common).operations()));
    println!("  promise: replay at least 100 M samples/s: {}", verdict(ordinary.0 >= 100e6));
    println!("  promise: with a widening band as well: {}", verdict(widened.0 >= 100e6));
    ordinary.0
}

const PYTHON: &str = r#"
import sys, time
volts = [float(line) for line in sys.stdin]
begun = time.perf_counter()
low, high, tap, ratio, operations, side, left = 121.0, 123.0, 0, 1.0, 0, 0, 0.0
for v in volts:
    v *= ratio
    now = (v < low) - (v > high)
    if now == 0:
        side = 0
        continue
    if side == now:
        left -= 10.0
    else:
        side, left = now, 30.0
    if left <= 0.0 and -16 <= tap + now <= 16:
        tap += now
        operations += 1
        ratio = 1.0 / (1.0 - 0.00625 * tap)
        left = 5.0
print(time.perf_counter() - begun, operations)
"#;

/// The bare loop in Python over 30 days.
fn python(year: &Recording, ours: f64) {
    let count = 30 * DAY;
    let child =
        Command::new("python3").args(["-c", PYTHON]).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn();
    let Ok(mut child) = child else {
        println!("\n  no python3 here: not compared");
        return;
    };
    let lines: String = year.source_voltages_v().take(count).map(|v| format!("{v}\n")).collect();
    child.stdin.take().unwrap().write_all(lines.as_bytes()).unwrap();
    let told = String::from_utf8(child.wait_with_output().unwrap().stdout).unwrap();
    let seconds: f64 = told.split_whitespace().next().unwrap().parse().unwrap();
    let theirs = count as f64 / seconds;
    println!(
        "  bare loop in Python over 30 days: {:.1} M samples/s; the replay is {:.0} times as fast",
        theirs / 1e6,
        ours / theirs
    );
}

/// Two days of the same source voltage in an independent power-flow engine, which solves a circuit at every step: another kind of work, for
/// scale.
fn engine(year: &Recording, ours: f64) {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let python = root.join("../.venv/bin/python");
    let solve = |steps: usize| -> Option<f64> {
        let source_pu: Vec<f64> =
            year.source_voltages_v().take(steps).map(|v| f64::from(v) / 120.0).collect();
        let order = serde_json::json!({
            "settings": [{ "set_v": 122.0, "band_v": 2.0, "delay_s": 30.0, "ldc": [0.0, 0.0] }],
            "inter_tap_s": INTERVAL_S, "load_model": 5, "ct_primary_a": 200.0, "source_ohm": [0.001, 0.001],
            "line_ohm": [0.5, 1.0], "dt_s": INTERVAL_S, "control_mode": "time", "source_pu": source_pu,
            "load_kw": vec![900.0; steps], "solar_kw": vec![0.0; steps],
        });
        let begun = Instant::now();
        let mut child = Command::new(&python)
            .arg(root.join("tests/engine/engine.py"))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .ok()?;
        child.stdin.take()?.write_all(order.to_string().as_bytes()).ok()?;
        let output = child.wait_with_output().ok()?;
        output.status.success().then(|| begun.elapsed().as_secs_f64())
    };
    let count = 2 * DAY;
    // What starting it takes is taken off.
    let Some((start, whole)) = solve(1).zip(solve(count)) else {
        println!("  no independent engine here (run `make peers`): not compared");
        return;
    };
    let theirs = (count - 1) as f64 / (whole - start).max(1e-3);
    println!(
        "  an independent engine over 2 days: {:.4} M steps/s, each a power flow; the replay is {:.0} times as fast",
        theirs / 1e6,
        ours / theirs
    );
}

/// 20 bandwidths by 20 delays over 30 days.
fn sweep(month: &Recording) {
    let steps = |from: f64, by: f64| (0..20).map(|k| by.mul_add(f64::from(k), from)).collect();
    let sweep = Sweep {
        base: ControlSettings::common(),
        bandwidths_v: steps(1.5, 0.15),
        delays_s: steps(15.0, 10.0),
    };
    let replay = Replay::new(month, Model::default());
    let mut counts = (0, 0);
    let seconds = [1, 2].map(|threads| {
        best(|| {
            let map = black_box(sweep.map(&replay, threads));
            counts = (map[0][0].operations, map[19][19].operations);
        })
    });
    let samples = 400.0 * month.len() as f64;
    println!(
        "\nA sweep of 400 settings over 30 days ({:.0} M samples); operations {} to {}",
        samples / 1e6,
        counts.0,
        counts.1
    );
    println!("  one thread   {:.3} s, {:.0} M samples/s", seconds[0], samples / seconds[0] / 1e6);
    println!("  two threads  {:.3} s, {:.0} M samples/s", seconds[1], samples / seconds[1] / 1e6);
    println!("  promise: under a second on two threads: {}", verdict(seconds[1] < 1.0));
}
