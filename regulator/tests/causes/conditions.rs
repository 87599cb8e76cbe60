//! The two conditions about causes, on the same feeder: raised where they should be, silent on healthy days.

use std::collections::BTreeSet;

use regulator::{
    Nameplate,
    compensator::Compensator,
    conditions::{Change, Condition, RegulatorDetector, Settings, Unit},
};

use crate::{
    FULL, Metering, SECONDS, at,
    random::Random,
    reading,
    weather::{Day, Kinds},
    world::{World, settings},
};

/// What B raises of the two in three days of this weather.
fn raised(kinds: Kinds, bandwidth_v: f64, metering: Metering, seed: u64) -> BTreeSet<Condition> {
    let mut detector = RegulatorDetector::new();
    let mut raised = BTreeSet::new();
    let unit = Unit::new(&Nameplate::common(), &Settings::default());
    let mut random = Random::new(seed, 9);
    let mut counted = 0;
    for day in 0..3 {
        let world = World {
            day: Day::new(kinds, seed + day),
            settings: [settings(2.0, 30.0, Compensator::OFF), settings(bandwidth_v, 45.0, Compensator::OFF)],
            upstream: false,
        };
        let run = world.run();
        for s in (3..SECONDS).step_by(metering.poll_s) {
            let mut reading = reading(&world, &run, 1, s, metering, &mut random);
            let days = chrono::TimeDelta::days(i64::try_from(day).unwrap());
            reading.measured_at = at(s) + days;
            let operations = f64::from(counted + run.seconds[s][1].operations);
            let reading = reading.with(regulator::Quantity::Operations, operations);
            let told = detector.observe(&unit, &reading);
            raised.extend(told.iter().filter(|t| t.change == Change::Raised).map(|t| t.condition));
        }
        counted += run.seconds[SECONDS - 1][1].operations;
    }
    raised.retain(|c| [Condition::Hunting, Condition::CloudDrivenTapping].contains(c));
    raised
}

#[test]
fn clouds_and_narrow_bands_are_told_and_healthy_days_are_not() {
    let quiet = Kinds::default();
    let clouds = BTreeSet::from([Condition::CloudDrivenTapping]);
    let hunting = BTreeSet::from([Condition::Hunting]);
    for poll_s in [10, 60] {
        let metering = Metering { poll_s, ..FULL };
        assert_eq!(raised(Kinds { clouds: true, ..quiet }, 2.0, metering, 501), clouds, "{poll_s}");
        assert_eq!(raised(quiet, 0.6, metering, 511), hunting, "{poll_s}");
        let healthy = [
            quiet,
            Kinds { blocks: true, ..quiet },
            Kinds { source_steps: true, ..quiet },
            Kinds { drift: true, ..quiet },
            Kinds { blocks: true, source_steps: true, drift: true, ..quiet },
        ];
        for (seed, kinds) in (0..).zip(healthy) {
            assert_eq!(raised(kinds, 2.0, metering, 521 + 10 * seed), BTreeSet::new(), "{poll_s} {seed}");
        }
    }
}
