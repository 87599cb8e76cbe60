//! What the witnesses say together, case by case.

use chrono::TimeDelta;

use super::*;
use crate::{
    Quantity,
    audit::{Accuracy, Limits, TapAudit},
};

const fn start() -> Timestamp {
    Timestamp::UNIX_EPOCH
}

/// A day of readings at one tap and these voltages, every minute, with what else `more` says; the evidence a minute after.
fn gathered(
    tap: f64,
    (source_v, load_v): (f64, f64),
    late_s: i64,
    more: impl Fn(i64, Reading) -> Reading,
) -> NeutralEvidence {
    let nameplate = Nameplate { poll_interval_s: 60.0, ..Nameplate::common() };
    let limits = Limits::new(&nameplate, &Accuracy::default());
    let mut audit = TapAudit::new();
    let readings: Vec<_> = (0..1440)
        .map(|m| {
            let reading = Reading::new(start() + TimeDelta::minutes(m))
                .with(Quantity::Tap, tap)
                .with(Quantity::AtNeutral, f64::from(u8::from(tap == 0.0)))
                .with(Quantity::SourceVoltage, source_v)
                .with(Quantity::LoadVoltage, load_v)
                .with(Quantity::Operations, 500.0)
                .with(Quantity::Automatic, 1.0);
            more(m, reading)
        })
        .collect();
    for reading in &readings {
        audit.observe(&limits, reading);
    }
    let now = start() + TimeDelta::minutes(1440) + TimeDelta::seconds(late_s);
    NeutralEvidence::gather(&Records {
        nameplate: &nameplate,
        readings: &readings,
        audit: &audit,
        limits: &limits,
        now,
    })
}

fn says(evidence: &NeutralEvidence, what: What) -> Says {
    evidence.items.iter().find(|i| i.what == what).unwrap().says
}

fn as_it_is(_: i64, reading: Reading) -> Reading {
    reading
}

#[test]
fn at_neutral_and_all_agree() {
    let evidence = gathered(0.0, (121.3, 121.1), 0, as_it_is);
    assert_eq!(evidence.overall, Overall::Agreement(Says::ForNeutral));
    assert_eq!(evidence.overall.words(), "The records agree with neutral.");
}

#[test]
fn off_neutral_and_all_agree() {
    // tap +6 of a type B: 120 / (1 - 6 x 0.00625) = 124.68 V
    let evidence = gathered(6.0, (120.0, 124.7), 0, as_it_is);
    assert_eq!(evidence.overall, Overall::Agreement(Says::AgainstNeutral));
}

#[test]
fn a_report_of_neutral_that_the_voltages_deny_is_a_contradiction() {
    let evidence = gathered(0.0, (120.0, 124.7), 0, as_it_is);
    let Overall::Contradiction(of) = &evidence.overall else { panic!("{:?}", evidence.overall) };
    assert!(
        of.contains(&What::ReportedTap)
            && of.contains(&What::VoltageDifference)
            && of.contains(&What::TapAudit)
    );
    let lamp = gathered(0.0, (121.0, 121.0), 0, |_, r| r.with(Quantity::AtNeutral, 0.0));
    assert!(matches!(lamp.overall, Overall::Contradiction(_)), "{:?}", lamp.overall);
}

#[test]
fn what_is_missing_is_named_and_never_taken_for_neutral() {
    let no_lamp = gathered(0.0, (121.0, 121.0), 0, |_, mut r| {
        r.set(Quantity::AtNeutral, None, Quality::NotReported);
        r
    });
    assert_eq!(no_lamp.overall, Overall::NotEnough(vec![What::NeutralIndicator]));
    let no_source = gathered(0.0, (121.0, 121.0), 0, |_, mut r| {
        r.set(Quantity::SourceVoltage, Some(121.0), Quality::Offline);
        r
    });
    assert_eq!(no_source.overall, Overall::NotEnough(vec![What::VoltageDifference]));
    let nothing = NeutralEvidence::gather(&Records {
        nameplate: &Nameplate::common(),
        readings: &[],
        audit: &TapAudit::new(),
        limits: &Limits::new(&Nameplate::common(), &Accuracy::default()),
        now: start(),
    });
    assert_eq!(nothing.overall, Overall::NotEnough(NEEDED.to_vec()));
    assert!(nothing.items.iter().all(|i| i.says == Says::Silent));
}

#[test]
fn old_values_are_silent_and_say_how_old() {
    let evidence = gathered(0.0, (121.0, 121.0), 3600, as_it_is);
    assert_eq!(evidence.overall, Overall::NotEnough(NEEDED.to_vec()));
    let tap = &evidence.items[0];
    assert_eq!((tap.quality, tap.age_s), (Quality::Stale, Some(3660)));
}

#[test]
fn just_after_an_operation_the_voltages_are_silent() {
    let evidence =
        gathered(0.0, (121.0, 121.0), 0, |m, r| if m < 1439 { r.with(Quantity::Tap, 1.0) } else { r });
    assert_eq!(says(&evidence, What::VoltageDifference), Says::Silent);
}

/// |steps| beyond operations is impossible (OpenDSS note "Counting Tap Operations": the counter's difference is the count).
#[test]
fn fewer_operations_than_steps_since_neutral_is_told() {
    let evidence = gathered(5.0, (120.0, 123.9), 0, |m, r| match m {
        0..700 => r.with(Quantity::Tap, 0.0),
        _ => r.with(Quantity::Operations, 503.0),
    });
    let item = evidence.items.iter().find(|i| i.what == What::SinceNeutral).unwrap();
    assert!(item.detail.contains("3 operations counted since are fewer than the 5 steps"), "{}", item.detail);
}

#[test]
fn no_word_permits_anything() {
    let mut texts = vec![CAUTION.to_owned()];
    texts.extend(VERIFY.iter().map(|s| (*s).to_owned()));
    for (tap, volts) in [(0.0, (121.0, 121.0)), (0.0, (120.0, 124.7)), (4.0, (120.0, 123.1))] {
        for late_s in [0, 9000] {
            let evidence = gathered(tap, volts, late_s, as_it_is);
            texts.push(evidence.overall.words());
            texts.extend(evidence.items.into_iter().flat_map(|i| [i.detail, i.what.title().to_owned()]));
        }
    }
    for text in texts {
        let words: Vec<_> = text.split(|c: char| !c.is_alphanumeric()).map(str::to_lowercase).collect();
        for banned in
            ["safe", "safely", "ok", "okay", "bypass", "bypassed", "may be worked", "confirmed", "clear"]
        {
            assert!(!words.iter().any(|w| w == banned), "{banned}: {text}");
        }
    }
    for needed in [
        "Verify at the equipment",
        "switching procedures, local codes and licensed practice",
        "permits nothing",
    ] {
        assert!(CAUTION.contains(needed));
    }
}

#[test]
fn voltages_and_power_are_told_and_speak_neither_way() {
    // 500 kW of 1669 kVA, far beyond half a per cent of it
    let evidence = gathered(6.0, (120.0, 124.7), 0, |_, r| r.with(Quantity::RealPower, -500.0));
    let item = |what| evidence.items.iter().find(|i| i.what == what).unwrap();
    let (voltages, power) = (item(What::Voltages), item(What::PowerDirection));
    assert_eq!(voltages.detail, "load 124.7 V, source 120.0 V");
    assert!(power.detail.starts_with("reversed, from load to source: -500 kW"), "{}", power.detail);
    assert_eq!((voltages.says, power.says), (Says::Silent, Says::Silent));
    assert!(evidence.items.iter().all(|i| !i.what.is_context() || i.says == Says::Silent));
    let silent = gathered(0.0, (120.0, 120.0), 0, as_it_is);
    let power = silent.items.iter().find(|i| i.what == What::PowerDirection).unwrap();
    assert!(power.detail.starts_with("no usable value"), "{}", power.detail);
}

/// One step of a type B unit: 120 / (1 - 0.00625) = 120.75 V, within what two voltages of class 0.6 can be wrong by (2 V).
#[test]
fn voltages_that_fit_the_reported_tap_as_well_as_neutral_contradict_nobody() {
    let near = gathered(1.0, (120.0, 120.8), 0, as_it_is);
    assert_eq!(says(&near, What::VoltageDifference), Says::Silent);
    assert_eq!(near.overall, Overall::Agreement(Says::AgainstNeutral));
    // six steps reported and none in the voltages is another matter
    let far = gathered(6.0, (120.0, 120.8), 0, as_it_is);
    assert_eq!(says(&far, What::VoltageDifference), Says::ForNeutral);
    assert!(matches!(far.overall, Overall::Contradiction(_)), "{:?}", far.overall);
}
