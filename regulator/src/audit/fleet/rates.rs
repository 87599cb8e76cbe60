//! How often and how soon: rates over many units.

use super::{Carried, DAY_S, Unit, audited};
use crate::audit::{TapAudit, Verdict};

/// A month of a healthy unit: whether it was ever said to have slipped, and its operations.
fn healthy(seed: u64, dt_s: f64) -> (bool, u32) {
    let (limits, changer) = audited();
    let (mut unit, mut audit) = (Unit::new(seed, 0.6, dt_s), TapAudit::new());
    let mut wrong = false;
    while unit.seconds < 30.0 * DAY_S {
        if audit.observe(&limits, &unit.next(&changer, true)) {
            wrong |= matches!(audit.verdict(&limits), Verdict::Slipped { .. });
        }
    }
    (wrong, unit.counted)
}

/// A slip after ten days: operations after it until the audit says so with the right number, if it does within 20 days.
fn found(seed: u64, steps: i32, dt_s: f64) -> Option<u32> {
    let (limits, changer) = audited();
    let (mut unit, mut audit) = (Unit::new(seed, 0.6, dt_s), TapAudit::new());
    let mut slipped_at = None;
    while unit.seconds < 30.0 * DAY_S {
        let reading = unit.next(&changer, true);
        if slipped_at.is_none() && unit.seconds > 10.0 * DAY_S {
            unit.slips = -steps;
            slipped_at = Some(unit.counted + 1);
        }
        if audit.observe(&limits, &reading)
            && matches!(audit.verdict(&limits), Verdict::Slipped { by, since: Some(_), .. } if by == steps)
        {
            return unit.counted.checked_sub(slipped_at?);
        }
    }
    None
}

/// Prints and returns how many of `units` healthy months were wrong.
fn wrong_months(units: u64, dt_s: f64) -> u32 {
    let seen: Vec<_> = (0..units).map(|seed| healthy(seed, dt_s)).collect();
    let wrong = seen.iter().filter(|(wrong, _)| *wrong).count();
    let operations: f64 = seen.iter().map(|(_, n)| f64::from(*n)).sum();
    println!(
        "{units} healthy regulator-months at {dt_s} s: {wrong} wrong, {:.1} operations a day",
        operations / units as f64 / 30.0
    );
    u32::try_from(wrong).unwrap()
}

/// Prints and returns the share found within so many operations.
fn share_found(units: u64, steps: i32, within: u32, dt_s: f64) -> f64 {
    let mut after: Vec<_> = (0..units).map(|seed| found(1_000_000 + seed, steps, dt_s)).collect();
    after.sort_unstable_by_key(|n| n.unwrap_or(u32::MAX));
    let share = after.iter().filter(|n| n.is_some_and(|n| n <= within)).count() as f64 / units as f64;
    let [half, most] = [after.len() / 2, after.len() * 95 / 100].map(|i| after[i]);
    println!(
        "slip of {steps:+} at {dt_s} s: {:.1} % of {units} within {within} operations; median {half:?}, 95 % within {most:?}, last {:?}",
        100.0 * share,
        after.last()
    );
    share
}

#[test]
fn healthy_units_are_not_said_to_have_slipped() {
    assert_eq!(wrong_months(100, 60.0), 0);
    assert_eq!(wrong_months(5, 10.0), 0);
}

#[test]
fn slips_are_found_within_a_few_operations() {
    for steps in [1, -1] {
        assert!(share_found(100, steps, 10, 60.0) >= 0.95);
    }
    for steps in [2, -3] {
        assert!(share_found(100, steps, 3, 60.0) >= 0.95);
    }
    assert!(share_found(20, 1, 10, 10.0) >= 0.95);
}

/// Changes reported with a deadband of 0.5 V, everything every quarter of an hour: healthy months, and slips of one step.
#[test]
fn carried_voltages_neither_look_like_slips_nor_hide_them() {
    let (limits, changer) = audited();
    let mut found = 0;
    for seed in 0..20 {
        let (mut unit, mut audit) = (Unit::new(seed, 0.6, 10.0), TapAudit::new());
        let mut carried = Carried::default();
        let (mut slipped, mut said) = (false, false);
        while unit.seconds < 12.0 * DAY_S {
            if !slipped && unit.seconds > 10.0 * DAY_S {
                (unit.slips, slipped) = (1, true);
            }
            let reading = unit.next(&changer, true);
            if audit.observe(&limits, &carried.pass(reading, 0.5, 900)) {
                let verdict = audit.verdict(&limits);
                let wrong = matches!(verdict, Verdict::Slipped { .. });
                assert!(!wrong || slipped, "{seed} {verdict:?}");
                said |= slipped && matches!(verdict, Verdict::Slipped { by: -1, .. });
            }
        }
        found += u32::from(said);
    }
    println!("carried voltages: {found} of 20 slips found within two days");
    assert!(found >= 19);
}

/// None wrong in 3,000 months means at most 1 in 1,000 with 95 % confidence (the rule of three).
#[test]
#[ignore = "minutes; run in an optimised build"]
fn at_most_one_wrong_in_a_thousand_months() {
    assert_eq!(wrong_months(3000, 60.0), 0);
    assert!(wrong_months(100, 10.0) <= 1);
    for steps in [1, -1] {
        assert!(share_found(1000, steps, 10, 60.0) >= 0.95);
    }
    for steps in [2, -2, 3] {
        assert!(share_found(1000, steps, 3, 60.0) >= 0.95);
    }
}

/// Prints what one reading costs on this machine.
#[test]
#[ignore = "a measurement"]
fn speed_of_the_audit() {
    let (limits, changer) = audited();
    let (mut unit, mut audit) = (Unit::new(3, 0.6, 10.0), TapAudit::new());
    let readings: Vec<_> = (0..500_000).map(|_| unit.next(&changer, true)).collect();
    let begun = std::time::Instant::now();
    let changed = readings.iter().filter(|r| audit.observe(&limits, r)).count();
    println!("{} readings in {:?}, verdict looked at {changed} times", readings.len(), begun.elapsed());
    assert!(changed > 0);
}
