//! Stories of runaway, told by a closed circuit and by hand; and what looks like it and is none.

use super::*;
use crate::{
    Quality,
    audit::fleet::{Chance, Wander},
    conditions::{
        RegulatorDetector, Unit,
        story::{Story, at},
    },
    flow::circuit::{Circuit, Loop, check, nameplate},
};

/// What a watched circuit tells over so many minutes, with the tap at each telling.
fn watch(l: &mut Loop, minutes: u32, alter: impl Fn(Reading) -> Reading) -> Vec<(i32, Transition)> {
    let unit = Unit::new(&nameplate(), &Settings::default());
    let mut detector = RegulatorDetector::new();
    let mut told = vec![];
    for _ in 0..minutes * 6 {
        let reading = alter(l.next());
        let these =
            detector.observe(&unit, &reading).into_iter().filter(|t| t.condition == Condition::Runaway);
        told.extend(these.map(|t| (l.tap, t)));
    }
    told
}

fn as_it_is(reading: Reading) -> Reading {
    reading
}

fn value(t: &Transition, label: &str) -> f64 {
    t.facts.iter().find(|f| f.label == label).unwrap().value
}

/// The worked case: fed from the load side at 124 V, it ends at +16 with the source side at 107.30 V.
#[test]
fn fed_from_the_load_side_it_is_told_after_two_operations_with_where_it_ends() {
    let mut l = Loop::new(Circuit::fed_from_load(), 124.0, 0);
    l.settings.inter_tap_s = 60.0;
    let told = watch(&mut l, 10, as_it_is);
    assert_eq!(told.len(), 1, "{told:?}");
    let (tap, raised) = &told[0];
    assert_eq!(*tap, 2);
    assert_eq!(
        raised.summary,
        "power reversed, 2 raises moved the load voltage by 0 V of +1.5 V, the source voltage -1.5 V; heads for tap +16, \
         source voltage near 107.4 V"
    );
    let source = "OpenDSS (OpenDSSDirect.py 0.9.4), inputs in flow/circuit.rs";
    check("tap foretold of a runaway", source, 16.0, value(raised, "Tap at which it will end"), 0.0);
    check(
        "source voltage foretold there, V",
        source,
        107.30,
        value(raised, "Source voltage to be expected there"),
        0.1,
    );
}

#[test]
fn tapping_at_every_reading_it_is_told_one_reading_later() {
    let mut l = Loop::new(Circuit::fed_from_load(), 124.0, 0);
    let told = watch(&mut l, 10, as_it_is);
    assert_eq!(told.iter().map(|(tap, _)| *tap).collect::<Vec<_>>(), [3]);
}

#[test]
fn downwards_it_is_told_as_well() {
    let mut l = Loop::new(Circuit::fed_from_load(), 112.0, 0);
    l.settings.inter_tap_s = 60.0;
    let told = watch(&mut l, 10, as_it_is);
    assert_eq!(told.len(), 1);
    assert!(
        told[0].1.summary.contains("2 lowers") && told[0].1.summary.contains("heads for tap -16"),
        "{told:?}"
    );
}

#[test]
fn without_a_source_voltage_the_load_side_alone_tells_and_it_says_so() {
    let mut l = Loop::new(Circuit::fed_from_load(), 124.0, 0);
    l.settings.inter_tap_s = 60.0;
    let told = watch(&mut l, 10, |mut r| {
        r.set(Quantity::SourceVoltage, None, Quality::NotReported);
        r
    });
    assert_eq!(told.len(), 1);
    assert!(told[0].1.summary.contains("no source voltage to confirm it"), "{told:?}");
}

/// Weak generation: power is reversed and the load side follows the taps. In a ramp of clouds too, where volts come and go.
#[test]
fn weak_generation_is_not_a_runaway() {
    for set_v in [118.0, 124.0, 128.0] {
        let mut l = Loop::new(Circuit { load: (-400e3, 50e3), ..Circuit::fed_from_source() }, set_v, 0);
        assert_eq!(watch(&mut l, 60, as_it_is), []);
        assert!(l.tap.abs() > 1, "it did tap: {}", l.tap);
        for i in 0..720_u32 {
            // generation falls and rises by a quarter of its power in five minutes, and flickers
            let t = f64::from(i);
            l.circuit.load.0 = -400e3 - 100e3 * (t / 30.0).sin() - 10e3 * (t * 1.7).sin();
            l.circuit.source_v = 7200.0 + 150.0 * (t / 50.0).sin();
            let told = watch(&mut l, 1, as_it_is);
            assert_eq!(told, []);
        }
    }
}

#[test]
fn forward_power_tapping_to_the_limit_is_not_a_runaway() {
    let mut l = Loop::new(Circuit { source_v: 6300.0, ..Circuit::fed_from_source() }, 124.0, 0);
    assert_eq!(watch(&mut l, 60, as_it_is), []);
    assert_eq!(l.tap, 16);
}

#[test]
fn where_direction_is_unknown_nothing_is_told() {
    let mut l = Loop::new(Circuit::fed_from_load(), 124.0, 0);
    let told = watch(&mut l, 10, |mut r| {
        r.set(Quantity::RealPower, None, Quality::NotReported);
        r
    });
    assert_eq!(told, []);
    let mut l = Loop::new(Circuit::fed_from_load(), 124.0, 0);
    let told = watch(&mut l, 10, |mut r| {
        r.set(Quantity::RealPower, None, Quality::NotReported);
        r.with(Quantity::ReverseFlow, 1.0)
    });
    assert_eq!(told.len(), 1, "the control's own word counts");
}

#[test]
fn it_ends_when_power_is_forward_again() {
    let mut story = Story::common();
    let seen = |s: i64, tap: f64, kw: f64| {
        Reading::new(at(s))
            .with(Quantity::Tap, tap)
            .with(Quantity::LoadVoltage, 118.0)
            .with(Quantity::SourceVoltage, 118.0 - 0.74 * tap)
            .with(Quantity::RealPower, kw)
    };
    let mut told = vec![];
    for i in 0..30 {
        told.extend(story.observe(&seen(i * 10, f64::from(i32::try_from(i / 10).unwrap()), -80.0)));
    }
    for i in 30..100 {
        told.extend(story.observe(&seen(i * 10, 3.0, 60.0)));
    }
    told.retain(|line| line.contains("runaway"));
    assert_eq!(told.len(), 2, "{told:?}");
    assert!(told[0].starts_with("210 runaway raised: power reversed, 2 raises"), "{told:?}");
    assert_eq!(
        told[1],
        "900 runaway returned: tap +3, power is not reversed any more; had been so over 12 min"
    );
}

/// What two operations show may be chance where volts come and go; more of them are asked for.
#[test]
fn noise_asks_for_more_operations() {
    let mut l = Loop::new(Circuit::fed_from_load(), 124.0, 0);
    l.settings.inter_tap_s = 60.0;
    let noisy = |r: Reading| {
        let wave = f64::from(u32::try_from(r.measured_at.timestamp() / 10 % 5).unwrap());
        let load = r.good(Quantity::LoadVoltage).unwrap();
        r.with(Quantity::LoadVoltage, load + 0.3 * (wave - 2.0))
    };
    let told = watch(&mut l, 20, noisy);
    assert!(matches!(told[..], [(3..=16, _)]), "{told:?}");
}

/// Sixty days of broken cloud over weak generation, power reversed all day, with and without a source voltage: the control
/// taps with the clouds, and none of it is a runaway.
#[test]
fn clouds_over_weak_generation_are_not_a_runaway() {
    let unit = Unit::new(&nameplate(), &Settings::default());
    let mut operations = 0;
    for seed in 0..60_u64 {
        let mut chance = Chance(seed);
        let (mut cloud, mut supply) = (Wander::default(), Wander::default());
        let mut l = Loop::new(Circuit::fed_from_source(), 122.0, 0);
        let mut detector = RegulatorDetector::new();
        for _ in 0..3000 {
            let shade = cloud.step(&mut chance, 1.0, 120.0, 10.0).clamp(-1.0, 1.0);
            l.circuit.load = (-350e3 + 250e3 * shade, 100e3);
            l.circuit.source_v = 7290.0 + supply.step(&mut chance, 60.0, 600.0, 10.0) + 3.0 * chance.bell();
            let before = l.tap;
            let mut reading = l.next();
            operations += before.abs_diff(l.tap);
            if seed % 2 == 0 {
                reading.set(Quantity::SourceVoltage, None, Quality::NotReported);
            }
            let told = detector.observe(&unit, &reading);
            assert!(told.iter().all(|t| t.condition != Condition::Runaway), "{seed} {told:?}");
        }
    }
    println!("{operations} operations in 60 days");
    assert!(operations > 1000, "{operations}");
}
