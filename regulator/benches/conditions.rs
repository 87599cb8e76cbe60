//! How many readings a second all conditions of a regulator judge on one core.
//!
//! One day of 2,000 regulators read every 10 s, in the order in which a live system sees them: round after round, each round
//! all regulators. One regulator's day is made beforehand; each regulator reads it from another hour on, so that their
//! memories differ and do not stay in the nearest cache.
//!
//! Besides the time that passed, the time on the processor is shown where the system tells it (Linux): on a machine with other
//! work that is the one to look at. Then the same day through the conditions of banks, three regulators a bank, and through each
//! condition of a regulator alone, as a backtest runs it.
//!
//! `cargo bench -p regulator --bench conditions -- [REGULATORS]`

use std::{hint::black_box, time::Instant};

use regulator::{
    Connection, Nameplate, Phase, Quantity, Reading, Timestamp,
    conditions::{BankDetector, BankUnit, Condition, Member, RegulatorDetector, Scope, Settings, Unit},
};

const ROUNDS: usize = 8640;
const EVERY_S: i64 = 10;
const PHASES: [Phase; 3] = [Phase::A, Phase::B, Phase::C];

fn main() {
    let regulators = std::env::args().filter_map(|a| a.parse().ok()).next_back().unwrap_or(2000);
    let day = day();
    let (nameplate, settings) = (Nameplate::common(), Settings::default());
    let nothing =
        |_: usize, reading: &Reading| usize::from(black_box(reading).measured_at == Timestamp::UNIX_EPOCH);
    let generating = run(&day, regulators, nothing);
    generating.report("making the readings alone", 0.0);
    let judge = |what: &str, unit: &Unit| {
        let mut detectors = vec![RegulatorDetector::new(); regulators];
        let judging = run(&day, regulators, |i, reading| detectors[i].observe(unit, reading).len());
        judging.report(what, generating.a_reading());
    };
    judge("all conditions of a regulator", &Unit::new(&nameplate, &settings));
    let members = PHASES.map(|phase| Member::new(phase, &nameplate));
    let unit = BankUnit::new(Connection::Wye, &members, &settings);
    let mut detectors = vec![BankDetector::new(); regulators.div_ceil(3)];
    let judging =
        run(&day, regulators, |i, reading| detectors[i / 3].observe(&unit, PHASES[i % 3], reading).len());
    judging.report("all conditions of a bank", generating.a_reading());
    for condition in Condition::all().filter(|c| c.scope() == Scope::Regulator) {
        judge(condition.name(), &Unit::only(condition, &nameplate, &settings));
    }
}

/// What one run took.
struct Run {
    readings: f64,
    seconds: f64,
    processor_seconds: Option<f64>,
    told: usize,
}

/// Feeds every round to every regulator.
#[allow(clippy::cast_precision_loss, reason = "for people")]
fn run(day: &[Reading], regulators: usize, mut take: impl FnMut(usize, &Reading) -> usize) -> Run {
    let (begun, on_processor) = (Instant::now(), processor_seconds());
    let mut told = 0;
    for (round, at) in (0..ROUNDS).zip((0..).step_by(usize::try_from(EVERY_S).unwrap_or(1))) {
        let measured_at = instant(at);
        for i in 0..regulators {
            let mut reading = day[(round + i * 7) % ROUNDS].clone();
            reading.measured_at = measured_at;
            told += take(i, &reading);
        }
    }
    Run {
        readings: (regulators * ROUNDS) as f64,
        seconds: begun.elapsed().as_secs_f64(),
        processor_seconds: processor_seconds().zip(on_processor).map(|(now, then)| now - then),
        told,
    }
}

impl Run {
    /// Nanoseconds a reading, on the processor if that is known.
    fn a_reading(&self) -> f64 {
        self.processor_seconds.unwrap_or(self.seconds) / self.readings * 1e9
    }

    fn report(&self, what: &str, making_ns: f64) {
        let on_processor = self.processor_seconds.unwrap_or(f64::NAN);
        println!(
            "{what:31} {:.0} readings in {:.2} s ({on_processor:.2} s on the processor): {:.1} million a second, {:.0} ns a reading \
             ({:.0} without making it), {} transitions",
            self.readings,
            self.seconds,
            1e3 / self.a_reading(),
            self.a_reading(),
            self.a_reading() - making_ns,
            self.told
        );
    }
}

/// Time that this thread has spent on a processor.
#[allow(clippy::cast_precision_loss, reason = "for people")]
fn processor_seconds() -> Option<f64> {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").ok()?;
    text.split(' ').next()?.parse::<u64>().ok().map(|ns| ns as f64 / 1e9)
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
