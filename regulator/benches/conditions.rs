//! How many readings a second all conditions of a regulator judge on one core.
//!
//! One day of 2,000 regulators read every 10 s, in the order in which a live system sees them: round after round, each round
//! all regulators. One regulator's day is made beforehand; each regulator reads it from another hour on, so that their
//! memories differ and do not stay in the nearest cache.
//!
//! `cargo bench -p regulator --bench conditions [REGULATORS]`

use std::{
    hint::black_box,
    time::{Duration, Instant},
};

use regulator::{
    Nameplate, Quantity, Reading, Timestamp,
    conditions::{RegulatorDetector, Settings, Unit},
};

const ROUNDS: usize = 8640;
const EVERY_S: i64 = 10;

fn main() {
    let regulators = std::env::args().filter_map(|a| a.parse().ok()).next_back().unwrap_or(2000);
    let day = day();
    let unit = Unit::new(&Nameplate::common(), &Settings::default());
    let generating =
        run(&day, regulators, |_, reading| u64::from(black_box(reading).measured_at.timestamp() == 0)).0;
    let mut detectors = vec![RegulatorDetector::new(); regulators];
    let (judging, told) =
        run(&day, regulators, |i, reading| detectors[i].observe(&unit, reading).len() as u64);
    report("all conditions", regulators, judging, told);
    report("making the readings alone", regulators, generating, 0);
}

/// Feeds every round to every regulator; returns the time it took and the sum of what was returned.
fn run(day: &[Reading], regulators: usize, mut take: impl FnMut(usize, &Reading) -> u64) -> (Duration, u64) {
    let begun = Instant::now();
    let mut sum = 0;
    for (round, at) in (0..ROUNDS).zip((0..).step_by(usize::try_from(EVERY_S).unwrap_or(1))) {
        let measured_at = instant(at);
        for i in 0..regulators {
            let mut reading = day[(round + i * 7) % ROUNDS].clone();
            reading.measured_at = measured_at;
            sum += take(i, &reading);
        }
    }
    (begun.elapsed(), sum)
}

#[allow(clippy::cast_precision_loss, reason = "for people")]
fn report(what: &str, regulators: usize, took: Duration, told: u64) {
    let readings = (regulators * ROUNDS) as f64;
    let seconds = took.as_secs_f64();
    println!(
        "{what}: {readings:.0} readings in {seconds:.2} s, {:.2} million a second, {:.0} ns a reading, {told} transitions",
        readings / seconds / 1e6,
        seconds / readings * 1e9
    );
}

fn instant(seconds: i64) -> Timestamp {
    Timestamp::from_timestamp(1_767_225_600 + seconds, 0).expect("a time of our era")
}

/// A day of a common unit: load with a peak, a tap every three quarters of an hour, all quantities reported.
fn day() -> Vec<Reading> {
    let one = |round: u32| {
        let turn = f64::from(round) / 8640.0 * std::f64::consts::TAU;
        let wobble = (f64::from(round) * 0.7).sin();
        let tap = (6.0 - 5.0 * turn.cos()).round();
        Reading::new(instant(i64::from(round) * EVERY_S))
            .with(Quantity::LoadVoltage, 0.6f64.mul_add(wobble, 122.0))
            .with(Quantity::SourceVoltage, 122.0 - 0.75 * tap)
            .with(Quantity::Current, 60.0 - 40.0 * turn.cos())
            .with(Quantity::RealPower, 450.0 - 300.0 * turn.cos())
            .with(Quantity::ReactivePower, 90.0)
            .with(Quantity::PowerFactor, 0.97)
            .with(Quantity::Tap, tap)
            .with(Quantity::Operations, f64::from(12_000 + round / 270))
            .with(Quantity::Automatic, 1.0)
            .with(Quantity::Blocked, 0.0)
            .with(Quantity::AtNeutral, 0.0)
            .with(Quantity::ReverseFlow, 0.0)
            .with(Quantity::SetVoltage, 122.0)
            .with(Quantity::Bandwidth, 2.0)
            .with(Quantity::TimeDelay, 30.0)
            .with(Quantity::LdcResistance, 0.0)
            .with(Quantity::LdcReactance, 0.0)
    };
    (0..8640).map(one).collect()
}
