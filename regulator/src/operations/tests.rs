use chrono::TimeDelta;

use super::*;
use crate::Quality;

const MODULUS: u64 = 65_536;

fn at(s: i64) -> Timestamp {
    Timestamp::from_timestamp(1_767_225_600, 0).unwrap() + TimeDelta::seconds(s)
}

/// A reading every 10 s with these taps and counters; what is told, as (seconds, steps, count, counted).
fn told(rows: &[(Option<f64>, Option<f64>)]) -> Vec<(i64, Option<i32>, u64, bool)> {
    let mut tracker = Tracker::new();
    let mut out = vec![];
    for (i, &(tap, counter)) in (0..).zip(rows) {
        let mut reading = Reading::new(at(i * 10));
        for (quantity, value) in [(Quantity::Tap, tap), (Quantity::Operations, counter)] {
            let quality = if value.is_some() { Quality::Good } else { Quality::NotAvailable };
            reading.set(quantity, value, quality);
        }
        if let Some(o) = tracker.observe(MODULUS, &reading) {
            out.push(((o.at - at(0)).num_seconds(), o.steps(), o.count, o.counted));
        }
    }
    out
}

fn both(rows: &[(f64, f64)]) -> Vec<(i64, Option<i32>, u64, bool)> {
    told(&rows.iter().map(|&(tap, counter)| (Some(tap), Some(counter))).collect::<Vec<_>>())
}

/// The rule of OpenDSS's technical note "Counting Tap Operations" (19 Aug 2011): the position at the end of a time step hides
/// intermediate moves; the count is the counter's, the position a lower bound.
#[test]
fn the_counter_counts_and_the_tap_is_a_lower_bound() {
    assert_eq!(both(&[(3.0, 100.0), (4.0, 101.0), (4.0, 101.0)]), [(10, Some(1), 1, true)]);
    assert_eq!(both(&[(3.0, 100.0), (3.0, 102.0)]), [(10, Some(0), 2, true)], "there and back");
    assert_eq!(both(&[(3.0, 100.0), (1.0, 104.0)]), [(10, Some(-2), 4, true)]);
    println!(
        "CHECK | operations between polls: counter +4, tap -2 | OpenDSS technical note \"Counting Tap Operations\" (2011), principle | 4 | 4"
    );
}

#[test]
fn without_a_counter_the_tap_counts_and_without_a_tap_the_counter() {
    assert_eq!(told(&[(Some(3.0), None), (Some(1.0), None)]), [(10, Some(-2), 2, false)]);
    assert_eq!(told(&[(None, Some(7.0)), (None, Some(8.0))]), [(10, None, 1, true)]);
    assert!(told(&[(None, None), (None, None)]).is_empty());
}

#[test]
fn a_value_missing_for_a_poll_costs_nothing_and_counts_nothing_twice() {
    let n = None;
    let rows = [(Some(3.0), Some(7.0)), (Some(4.0), n), (Some(4.0), Some(8.0)), (Some(5.0), Some(9.0))];
    assert_eq!(told(&rows), [(10, Some(1), 1, false), (30, Some(1), 1, true)]);
    let rows = [(Some(3.0), Some(7.0)), (n, Some(8.0)), (Some(4.0), Some(8.0)), (Some(5.0), Some(9.0))];
    assert_eq!(told(&rows), [(10, None, 1, true), (30, Some(1), 1, true)]);
}

#[test]
fn a_counter_that_comes_a_poll_late_is_the_same_operation() {
    assert_eq!(both(&[(3.0, 7.0), (4.0, 7.0), (4.0, 8.0)]), [(10, Some(1), 1, false)]);
    assert_eq!(both(&[(3.0, 7.0), (3.0, 8.0), (4.0, 8.0)]), [(10, Some(0), 1, true)]);
}

#[test]
fn a_counter_that_stands_still_does_not_hide_operations() {
    let rows: Vec<_> = (0..20).map(|i| (f64::from(i), 7.0)).collect();
    assert_eq!(both(&rows).iter().map(|o| o.2).sum::<u64>(), 19);
}

#[test]
fn moves_that_cancelled_do_not_swallow_later_ones() {
    let rows = [(3.0, 100.0), (4.0, 103.0), (5.0, 104.0), (4.0, 105.0)];
    assert_eq!(both(&rows).iter().map(|o| o.2).sum::<u64>(), 5);
}

#[test]
fn rollover_counts_through_and_a_replaced_control_is_no_operation() {
    assert_eq!(both(&[(3.0, 65_535.0), (4.0, 0.0)]), [(10, Some(1), 1, true)]);
    assert!(both(&[(3.0, 12_000.0), (3.0, 48_000.0)]).is_empty());
}

#[test]
fn a_late_reading_is_ignored() {
    let mut tracker = Tracker::new();
    let reading = |s, tap| Reading::new(at(s)).with(Quantity::Tap, tap);
    tracker.observe(MODULUS, &reading(10, 3.0));
    assert_eq!(tracker.observe(MODULUS, &reading(5, 4.0)), None);
    assert_eq!(tracker.observe(MODULUS, &reading(20, 3.0)), None);
}

#[test]
fn what_is_kept_is_small_and_comes_back() {
    let mut tracker = Tracker::new();
    tracker
        .observe(MODULUS, &Reading::new(at(0)).with(Quantity::Tap, 3.0).with(Quantity::LoadVoltage, 121.5));
    let text = serde_json::to_string(&tracker).unwrap();
    assert!(text.len() < 600, "{}", text.len());
    assert_eq!(serde_json::from_str::<Tracker>(&text).unwrap(), tracker);
    assert_eq!(serde_json::from_str::<Tracker>("{}").unwrap(), Tracker::new());
}

#[test]
fn direction_comes_from_the_tap_else_from_the_voltage() {
    let reading = |s: i64, counter: f64, volts: f64| {
        Reading::new(at(s)).with(Quantity::Operations, counter).with(Quantity::LoadVoltage, volts)
    };
    let mut tracker = Tracker::new();
    tracker.observe(MODULUS, &reading(0, 7.0, 120.9));
    let operation = tracker.observe(MODULUS, &reading(10, 8.0, 121.6)).unwrap();
    assert_eq!((operation.steps(), operation.direction(0.75)), (None, Some(1)));
    let operation = tracker.observe(MODULUS, &reading(20, 9.0, 121.5)).unwrap();
    assert_eq!(operation.direction(0.75), None);
}
