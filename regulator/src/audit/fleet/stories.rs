//! One unit at a time: what the audit says in each case.

use super::{DAY_S, Unit, audited};
use crate::{
    Quantity,
    audit::{Basis, Neighbour, TapAudit, Verdict, Why},
};

/// A report that is put right at neutral: found, then agreeing again.
#[test]
fn a_slip_put_right_at_neutral_is_over() {
    let (limits, changer) = audited();
    let mut over = 0;
    for seed in 0..20 {
        let (mut unit, mut audit) = (Unit::new(seed, 0.6, 60.0), TapAudit::new());
        unit.bias_v = -5.0;
        let (mut said, mut last) = (false, None);
        while unit.seconds < 30.0 * DAY_S {
            let reading = unit.next(&changer, true);
            match unit.seconds / DAY_S {
                day if (day - 10.0).abs() < 1e-9 => unit.slips = -1,
                // the supply goes up and the unit comes down through neutral
                day if day > 15.0 => (unit.corrects, unit.bias_v) = (true, 3.5),
                _ => {}
            }
            if audit.observe(&limits, &reading) {
                last = Some(audit.verdict(&limits));
                said |= matches!(last, Some(Verdict::Slipped { by: 1, .. }));
            }
        }
        assert!(said, "{last:?}");
        over += u32::from(matches!(last, Some(Verdict::Agrees { .. })));
    }
    assert!(over >= 19, "{over} of 20");
}

/// The past is unknown: what the classes cannot explain is told, what they can is not.
#[test]
fn an_old_error_is_told_when_the_classes_cannot_explain_it() {
    let (limits, changer) = audited();
    for (steps, told) in [(1, false), (5, true), (-5, true)] {
        for seed in 0..10 {
            let (mut unit, mut audit) = (Unit::new(seed, 0.6, 60.0), TapAudit::new());
            unit.reported = -steps;
            while unit.seconds < 3.0 * DAY_S {
                audit.observe(&limits, &unit.next(&changer, true));
            }
            match audit.verdict(&limits) {
                Verdict::Slipped { from, to, since: None, .. } if told => {
                    assert!((from..=to).contains(&steps), "{steps} is not in {from} to {to}");
                }
                Verdict::Agrees { hidden, .. } if !told => assert!(hidden >= 1),
                // class errors may add up to look like more
                Verdict::Slipped { .. } if !told => {
                    assert!((unit.source_error - unit.load_error).abs() > 0.006);
                }
                other => panic!("{steps}: {other:?}"),
            }
        }
    }
}

/// A voltage transformer that changes by 1 % moves the offset by 1.6 steps: not a slip.
#[test]
fn a_changed_voltage_measurement_is_not_a_slip() {
    let (limits, changer) = audited();
    for seed in 0..10 {
        let (mut unit, mut audit) = (Unit::new(seed, 0.2, 60.0), TapAudit::new());
        let mut seen = vec![];
        while unit.seconds < 12.0 * DAY_S {
            if unit.seconds > 6.0 * DAY_S && seen.is_empty() {
                unit.load_error += 0.0094;
                seen.push(audit.verdict(&limits));
            }
            if audit.observe(&limits, &unit.next(&changer, true)) {
                let verdict = audit.verdict(&limits);
                assert!(!matches!(verdict, Verdict::Slipped { .. }), "{verdict:?}");
                if matches!(verdict, Verdict::CannotTell(Why::NotWhole { .. })) {
                    seen.push(verdict);
                }
            }
        }
        assert!(seen.len() > 1, "{seen:?}");
        assert!(matches!(audit.verdict(&limits), Verdict::Agrees { .. }));
    }
}

/// Without a source voltage: a healthy unit's operations are answered; a mechanism that stands still is noticed.
#[test]
fn without_a_source_voltage_only_unanswered_operations_tell() {
    let (limits, changer) = audited();
    for seed in 0..20 {
        let (mut unit, mut audit) = (Unit::new(seed, 0.6, 10.0), TapAudit::new());
        while unit.seconds < 10.0 * DAY_S {
            audit.observe(&limits, &unit.next(&changer, false));
        }
        let Verdict::CannotTell(Why::NoSourceVoltage { operations, answered }) = audit.verdict(&limits)
        else {
            panic!("{:?}", audit.verdict(&limits))
        };
        assert!(operations > 50 && answered * 10 > operations * 8, "{answered} of {operations}");
        // from now on the report moves and the mechanism does not
        let (tap, counted) = (unit.tap, unit.counted);
        let mut said_after = None;
        while unit.seconds < 20.0 * DAY_S && said_after.is_none() {
            let reading = unit.next(&changer, false);
            unit.tap = tap;
            if audit.observe(&limits, &reading) {
                said_after =
                    matches!(audit.verdict(&limits), Verdict::Slipped { .. }).then(|| unit.counted - counted);
            }
        }
        assert!(said_after.is_some_and(|n| n <= 20), "{said_after:?}");
    }
}

/// A neighbour's source voltage on the same bus does as well; its class adds to what is unexplained, not to what changes.
#[test]
fn a_neighbours_source_voltage_finds_a_slip() {
    let (limits, changer) = audited();
    let (mut unit, mut audit) = (Unit::new(7, 0.6, 60.0), TapAudit::new());
    while unit.seconds < 12.0 * DAY_S {
        if (unit.seconds - 6.0 * DAY_S).abs() < 1.0 {
            unit.slips = 1;
        }
        let mut reading = unit.next(&changer, true);
        let neighbour = reading.good(Quantity::SourceVoltage).map(|source_v| Neighbour {
            id: 2,
            source_v,
            same_phase: true,
        });
        reading.set(Quantity::SourceVoltage, None, crate::Quality::NotReported);
        audit.observe_with(&limits, &reading, neighbour.as_ref());
    }
    assert!(
        matches!(audit.verdict(&limits), Verdict::Slipped { by: -1, .. }),
        "{:?}",
        audit.verdict(&limits)
    );
}

/// By another phase's, whose difference comes and goes with the load, two steps are told and one is not; nor is a steady difference
/// that unbalance explains.
#[test]
fn another_phases_source_voltage_finds_two_steps() {
    let (limits, changer) = audited();
    for (slips, expected) in [(0, None), (1, None), (2, Some(-2))] {
        let (mut unit, mut audit) = (Unit::new(7, 0.6, 60.0), TapAudit::new());
        while unit.seconds < 12.0 * DAY_S {
            if (unit.seconds - 6.0 * DAY_S).abs() < 1.0 {
                unit.slips = slips;
            }
            let mut reading = unit.next(&changer, true);
            // 2 % apart, and 0.3 % to either side over a day
            let apart = 0.02 + 0.003 * (std::f64::consts::TAU * unit.seconds / DAY_S).sin();
            let neighbour = reading.good(Quantity::SourceVoltage).map(|v| Neighbour {
                id: 2,
                source_v: v * (1.0 + apart),
                same_phase: false,
            });
            reading.set(Quantity::SourceVoltage, None, crate::Quality::NotReported);
            audit.observe_with(&limits, &reading, neighbour.as_ref());
        }
        assert_eq!(audit.basis(), Basis::OtherPhase);
        let by = match audit.verdict(&limits) {
            Verdict::Slipped { by, .. } => Some(by),
            Verdict::Agrees { .. } => None,
            other => panic!("{other:?}"),
        };
        assert_eq!(by, expected, "slipped by {slips}");
    }
}

/// It stays with the neighbour whose errors it has learnt, and learns anew from another or from its own voltage.
#[test]
fn another_neighbour_is_learnt_anew() {
    let (limits, changer) = audited();
    let (mut unit, mut audit) = (Unit::new(7, 0.6, 60.0), TapAudit::new());
    let mut feed = |audit: &mut TapAudit, until_d: f64, id: i32, same_phase: bool| {
        while unit.seconds < until_d * DAY_S {
            let mut reading = unit.next(&changer, true);
            let source_v = reading.good(Quantity::SourceVoltage).unwrap();
            reading.set(Quantity::SourceVoltage, None, crate::Quality::NotReported);
            audit.observe_with(&limits, &reading, Some(&Neighbour { id, source_v, same_phase }));
        }
        (audit.basis(), audit.neighbour(), matches!(audit.verdict(&limits), Verdict::Agrees { .. }))
    };
    assert_eq!(feed(&mut audit, 1.0, 2, true), (Basis::SamePhase, Some(2), true));
    assert_eq!(feed(&mut audit, 1.05, 3, true), (Basis::SamePhase, Some(3), false), "learns anew");
    assert_eq!(feed(&mut audit, 2.0, 4, false), (Basis::SamePhase, Some(3), false), "no step back");
}

#[test]
fn the_state_is_small_and_comes_back() {
    let (limits, changer) = audited();
    let (mut unit, mut audit) = (Unit::new(3, 0.6, 60.0), TapAudit::new());
    let mut longest = 0;
    while unit.seconds < 3.0 * DAY_S {
        let reading = unit.next(&changer, true);
        let text = serde_json::to_string(&audit).unwrap();
        longest = longest.max(text.len());
        let mut back: TapAudit = serde_json::from_str(&text).unwrap();
        assert_eq!(back, audit);
        assert_eq!(back.observe(&limits, &reading), audit.observe(&limits, &reading));
        assert_eq!(back, audit);
    }
    println!("longest state {longest} bytes");
    assert!(longest < 600, "{longest}");
}

/// A control without a second voltage transformer may compute its source voltage: that agrees whatever the tap, and says nothing.
#[test]
fn a_computed_source_voltage_is_no_witness() {
    let (limits, changer) = audited();
    for seed in 0..10 {
        let (mut unit, mut audit) = (Unit::new(seed, 0.6, 60.0), TapAudit::new());
        while unit.seconds < 6.0 * DAY_S {
            let reading = unit.next(&changer, true);
            let ratio = changer.ratio(reading.good(Quantity::Tap).unwrap());
            let computed = reading.good(Quantity::LoadVoltage).unwrap() / ratio;
            audit.observe(&limits, &reading.with(Quantity::SourceVoltage, (computed * 10.0).round() / 10.0));
        }
        assert_eq!(audit.verdict(&limits), Verdict::CannotTell(Why::Computed), "{audit:?}");
    }
}
