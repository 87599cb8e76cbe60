//! Causes that need no weather: hands, settings, exercise, and what cannot be told.

use chrono::TimeDelta;
use regulator::{
    Nameplate, Quantity, Reading,
    causes::{Assigned, Cause, Facts, Learned, Place, Shares, Watcher},
};

use crate::at;

/// One regulator at a steady supply, polled every 10 s; the story says what differs at each second.
fn tell(seconds: usize, watcher: &mut Watcher, story: impl Fn(usize, Reading) -> Reading) -> Vec<Assigned> {
    let facts = Facts::new(&Nameplate::common(), Place::Unknown);
    let mut out = vec![];
    for s in (0..seconds).step_by(10) {
        let usual = Reading::new(at(s))
            .with(Quantity::SourceVoltage, 122.0)
            .with(Quantity::LoadVoltage, 122.0)
            .with(Quantity::RealPower, 700.0)
            .with(Quantity::ReactivePower, 250.0)
            .with(Quantity::Tap, 0.0)
            .with(Quantity::Automatic, 1.0)
            .with(Quantity::SetVoltage, 122.0)
            .with(Quantity::Bandwidth, 2.0)
            .with(Quantity::TimeDelay, 30.0);
        watcher.observe(&facts, &story(s, usual));
        out.extend(watcher.settle(&facts, at(s), &[]));
    }
    out
}

fn on_tap(reading: Reading, tap: i32) -> Reading {
    let source = reading.good(Quantity::SourceVoltage).unwrap();
    let tap = f64::from(tap);
    reading.with(Quantity::Tap, tap).with(Quantity::LoadVoltage, source / (1.0 - 0.00625 * tap))
}

fn causes(assigned: &[Assigned]) -> Vec<Cause> {
    assigned.iter().map(|a| a.cause).collect()
}

#[test]
fn taps_by_hand_are_manual_and_there_and_back_is_exercise() {
    let manual = |s, reading: Reading| {
        reading.with(Quantity::Automatic, f64::from(u8::from(!(500..=1500).contains(&s))))
    };
    let one_way = tell(4000, &mut Watcher::default(), |s, r| {
        on_tap(manual(s, r), if s < 600 { 0 } else { 1 } + i32::from(s >= 660))
    });
    assert_eq!(causes(&one_way), [Cause::Manual, Cause::Manual]);
    let passage = |s: usize| match s {
        0..600 => 0,
        600..620 => 1,
        620..640 => 2,
        640..660 => 1,
        660..680 => 0,
        680..700 => -1,
        _ => 0,
    };
    let exercise = tell(4000, &mut Watcher::default(), |s, r| on_tap(manual(s, r), passage(s)));
    assert_eq!(causes(&exercise), [Cause::Exercise; 6]);
}

#[test]
fn a_pair_from_within_the_band_is_exercise_and_surer_when_it_comes_again_the_next_day() {
    let mut watcher = Watcher::default();
    let pair = |s: usize| i32::from((36_000..36_040).contains(&(s % 86_400)));
    let told = tell(2 * 86_400, &mut watcher, |s, r| on_tap(r, pair(s)));
    assert_eq!(causes(&told), [Cause::Exercise; 4]);
    assert!(told[0].confidence < 0.7 && told[2].confidence > 0.9);
    assert_eq!(told[0].undone_after_s, Some(40.0));
    assert_eq!(watcher.learned().exercised, Some(told[3].operation.at - TimeDelta::zero()));
    let text = serde_json::to_string(&watcher.learned()).unwrap();
    assert_eq!(serde_json::from_str::<Learned>(&text).unwrap(), watcher.learned());
    assert!(text.len() < 600, "{}", text.len());
}

#[test]
fn a_new_set_voltage_is_the_cause_of_what_follows() {
    let told = tell(3000, &mut Watcher::default(), |s, r| {
        let taps = i32::from(s >= 640) + i32::from(s >= 650);
        on_tap(r.with(Quantity::SetVoltage, if s < 600 { 122.0 } else { 124.0 }), taps)
    });
    assert_eq!(causes(&told), [Cause::Setting, Cause::Setting]);
}

#[test]
fn without_power_and_current_load_and_supply_are_not_told_apart() {
    let told = tell(3000, &mut Watcher::default(), |s, r| {
        let mut r = r.with(Quantity::SourceVoltage, if s < 600 { 122.0 } else { 120.5 });
        for quantity in [Quantity::RealPower, Quantity::ReactivePower] {
            r.set(quantity, None, regulator::Quality::NotAvailable);
        }
        on_tap(r, i32::from(s >= 640))
    });
    assert_eq!(causes(&told), [Cause::Unexplained]);
    assert!(told[0].because.contains("cannot tell"), "{}", told[0].because);
}

#[test]
fn a_counter_without_tap_and_voltage_says_nothing_of_why() {
    let facts = Facts::new(&Nameplate::common(), Place::Unknown);
    let mut watcher = Watcher::default();
    for s in (0..1000).step_by(10) {
        watcher.observe(
            &facts,
            &Reading::new(at(s)).with(Quantity::Operations, if s < 300 { 7.0 } else { 8.0 }),
        );
    }
    let told = watcher.settle(&facts, at(1000), &[]);
    assert_eq!(causes(&told), [Cause::Unexplained]);
}

#[test]
fn shares_add_up() {
    let told = tell(4000, &mut Watcher::default(), |s, r| {
        on_tap(r.with(Quantity::Automatic, 0.0), i32::from(s >= 600) + i32::from(s >= 2400))
    });
    let mut one = Shares::default();
    told.iter().for_each(|a| one.count(a));
    let both: Shares = [one, one].into_iter().sum();
    assert_eq!((one.total(), both.total(), both.operations(Cause::Manual)), (2, 4, 4));
    assert_eq!((both.share(Cause::Manual), both.share(Cause::Load)), (Some(1.0), Some(0.0)));
    assert_eq!(Shares::default().share(Cause::Load), None);
    assert!(both.weight(Cause::Manual) > 3.0);
}

#[test]
fn stored_names_are_those_of_the_serialized_form() {
    for cause in Cause::ALL {
        assert_eq!(serde_json::to_value(cause).unwrap(), cause.name());
        assert_eq!(Cause::from_name(cause.name()), Some(*cause));
        assert!(!cause.title().is_empty());
    }
}
