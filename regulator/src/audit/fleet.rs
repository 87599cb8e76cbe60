//! Simulated fleets: how often the audit is wrong about healthy units, and how soon it finds a slip.
//!
//! Each unit has what disturbs an audit: ratio errors drawn from the accuracy class, drift over the day with temperature and burden, a series
//! drop (in part reactive, which the audit does not model), noise, two sides not read at one instant, registers of 0.1 V, a source
//! that wanders and jumps, and a control that taps. Sizes are common practice; the class is IEEE C57.13's 0.6 (from memory).

use chrono::TimeDelta;

use super::{Accuracy, Limits, TapAudit, Verdict, Why};
use crate::{Nameplate, Quantity, Reading, Timestamp, taps::TapChanger};

/// Repeatable chance (G. L. Steele, D. Lea, C. H. Flood, "Fast splittable pseudorandom number generators", 2014).
struct Chance(u64);

impl Chance {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// -1 to 1.
    fn even(&mut self) -> f64 {
        #[allow(clippy::cast_precision_loss, reason = "53 bits")]
        let unit = (self.next() >> 11) as f64 / (1_u64 << 53) as f64;
        2.0 * unit - 1.0
    }

    /// Deviation 1, nearly normal: four even numbers' sum.
    fn bell(&mut self) -> f64 {
        (self.even() + self.even() + self.even() + self.even()) * 0.866
    }

    /// Once in so many.
    fn once_in(&mut self, n: f64) -> bool {
        self.even() < 2.0 / n - 1.0
    }
}

/// A value that wanders about zero.
#[derive(Default)]
struct Wander(f64);

impl Wander {
    fn step(&mut self, chance: &mut Chance, deviation: f64, time_s: f64, dt_s: f64) -> f64 {
        let keep = (-dt_s / time_s).exp();
        self.0 = keep * self.0 + deviation * (1.0 - keep * keep).sqrt() * chance.bell();
        self.0
    }
}

/// One simulated unit.
struct Unit {
    chance: Chance,
    dt_s: f64,
    seconds: f64,
    /// Errors of the two voltages, per unit; series resistance and reactance, per unit of the rating; phase of the day's drift.
    source_error: f64,
    load_error: f64,
    series: (f64, f64),
    phase: [f64; 2],
    drift: [Wander; 2],
    load: Wander,
    reactive: Wander,
    supply: Wander,
    jump_v: f64,
    bias_v: f64,
    out_s: f64,
    tap: i32,
    reported: i32,
    counted: u32,
    /// Steps by which the report goes wrong at the next operation.
    slips: i32,
    /// Whether the report is put right when the true tap is at neutral.
    corrects: bool,
}

const DAY_S: f64 = 86_400.0;
const TURN: f64 = std::f64::consts::TAU;

impl Unit {
    fn new(seed: u64, class_percent: f64, dt_s: f64) -> Self {
        let mut chance = Chance(seed.wrapping_mul(0x1234_5678_9ABC_DEF1));
        let class = class_percent / 100.0;
        let errors = [chance.even() * class, chance.even() * class];
        let series = (0.0025 + 0.002 * chance.even(), 0.003 + 0.002 * chance.even());
        let phase = [chance.even() * 0.5, chance.even() * 0.5];
        let bias_v = 3.0 * chance.even();
        Self {
            chance,
            dt_s,
            seconds: 0.0,
            source_error: errors[0],
            load_error: errors[1],
            series,
            phase,
            drift: [Wander::default(), Wander::default()],
            load: Wander::default(),
            reactive: Wander::default(),
            supply: Wander::default(),
            jump_v: 0.0,
            bias_v,
            out_s: 0.0,
            tap: 0,
            reported: 0,
            counted: 0,
            slips: 0,
            corrects: false,
        }
    }

    /// The next reading, so many seconds later; `with_source` or without a source voltage.
    fn next(&mut self, changer: &TapChanger, with_source: bool) -> Reading {
        self.seconds += self.dt_s;
        let day = self.seconds / DAY_S;
        let curve = 0.5 - 0.3 * (TURN * day).cos() + 0.1 * (2.0 * TURN * day).sin();
        let p = curve + self.load.step(&mut self.chance, 0.1, 1800.0, self.dt_s);
        let q = 0.25 * p + self.reactive.step(&mut self.chance, 0.1, 1800.0, self.dt_s);
        if self.chance.once_in(DAY_S / 8.0 / self.dt_s) {
            // upstream: a regulator's step or a capacitor bank
            self.jump_v = (self.jump_v + 1.2 * self.chance.even()).clamp(-3.0, 3.0);
        }
        let supply = self.supply.step(&mut self.chance, 0.5, 1200.0, self.dt_s);
        let source_v = 121.0 + self.bias_v + self.jump_v + supply - 4.0 * p + 0.05 * self.chance.bell();
        let load_v =
            source_v * changer.ratio(self.tap.into()) * (1.0 - self.series.0 * p - self.series.1 * q);
        let errors = [(0, self.source_error), (1, self.load_error)].map(|(side, error): (usize, f64)| {
            let sun = 4e-4 * (TURN * (day + self.phase[side])).cos();
            1.0 + error + sun + self.drift[side].step(&mut self.chance, 2e-4, 7200.0, self.dt_s)
        });
        // read one after the other, while the voltage moves
        let apart_v = 0.15 * self.chance.bell();
        let tenths = |v: f64| (v * 10.0).round() / 10.0;
        let metered_source = tenths(source_v * errors[0] + 0.05 * self.chance.bell());
        let metered_load = tenths(load_v * errors[1] + apart_v + 0.05 * self.chance.bell());
        let at = Timestamp::from_timestamp(1_767_225_600, 0).unwrap()
            + TimeDelta::milliseconds((self.seconds * 1000.0) as i64);
        let reading = Reading::new(at)
            .with(Quantity::Tap, self.reported.into())
            .with(Quantity::LoadVoltage, metered_load)
            .with(Quantity::RealPower, 167.0 * p * (1.0 + 0.02 * self.chance.bell()))
            .with(Quantity::Operations, self.counted.into());
        self.regulate(load_v * errors[1]);
        if with_source { reading.with(Quantity::SourceVoltage, metered_source) } else { reading }
    }

    fn regulate(&mut self, seen_v: f64) {
        let steps = match seen_v - 122.0 {
            d if d > 1.0 => -1,
            d if d < -1.0 => 1,
            _ => 0,
        };
        self.out_s = if steps == 0 { 0.0 } else { self.out_s + self.dt_s };
        if steps == 0
            || self.out_s < 45.0
            || (self.tap + steps).abs() > 16
            || (self.reported + steps).abs() > 16
        {
            return;
        }
        self.tap += steps;
        self.reported += steps + std::mem::take(&mut self.slips);
        self.counted += 1;
        if self.corrects && self.tap == 0 {
            self.reported = 0;
        }
    }
}

fn audited() -> (Limits, TapChanger) {
    let nameplate = Nameplate::common();
    (Limits::new(&nameplate, &Accuracy::default()), TapChanger::of(&nameplate))
}

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
    wrong as u32
}

/// Prints and returns the share found within so many operations.
fn share_found(units: u64, steps: i32, within: u32, dt_s: f64) -> f64 {
    let mut after: Vec<_> = (0..units).map(|seed| found(1_000_000 + seed, steps, dt_s)).collect();
    after.sort_unstable_by_key(|n| n.unwrap_or(u32::MAX));
    let share = after.iter().filter(|n| n.is_some_and(|n| n <= within)).count() as f64 / units as f64;
    let [half, most] = [0.5, 0.95].map(|q: f64| after[(q * units as f64) as usize]);
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
                    assert!((unit.source_error - unit.load_error).abs() > 0.006)
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
        let neighbour = reading.good(Quantity::SourceVoltage);
        reading.set(Quantity::SourceVoltage, None, crate::Quality::NotReported);
        audit.observe_with(&limits, &reading, neighbour);
    }
    assert!(
        matches!(audit.verdict(&limits), Verdict::Slipped { by: -1, .. }),
        "{:?}",
        audit.verdict(&limits)
    );
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
