//! The fictional utility, a month polled once a minute and four days every ten seconds, through the two conditions about causes of tapping: found where a story
//! says so, and nowhere else.
#![allow(clippy::unwrap_used, reason = "a test")]

use std::collections::BTreeSet;

use chrono::TimeDelta;
use regulator::{
    Timestamp,
    conditions::{Change, Condition, RegulatorDetector, Settings, Unit},
};
use simulator::{Fleet, history};

const JUDGED: [Condition; 2] = [Condition::Hunting, Condition::CloudDrivenTapping];

#[test]
fn a_month_by_the_minute() {
    found_where_the_stories_are_and_nowhere_else(30, 60);
}

#[test]
fn four_days_by_ten_seconds() {
    found_where_the_stories_are_and_nowhere_else(4, 10);
}

fn found_where_the_stories_are_and_nowhere_else(days: i64, poll_s: i64) {
    let start: Timestamp = "2026-10-21T06:00:00Z".parse().unwrap();
    let mut fleet = Fleet::new(1, start);
    let units: Vec<Unit> = fleet.members().map(|m| Unit::new(m.nameplate, &Settings::default())).collect();
    let mut detectors: Vec<RegulatorDetector> = units.iter().map(|_| RegulatorDetector::new()).collect();
    let mut found = BTreeSet::new();
    for polled in history(&mut fleet, start, start + TimeDelta::days(days), TimeDelta::seconds(poll_s)) {
        for (number, reading) in polled.readings {
            let told = detectors[number].observe(&units[number], &reading);
            let raised = told.iter().filter(|t| t.change == Change::Raised && JUDGED.contains(&t.condition));
            found.extend(raised.map(|t| (number, t.condition)));
        }
    }
    let stories = fleet.stories();
    let expected: BTreeSet<(usize, Condition)> = stories
        .iter()
        .flat_map(|s| s.regulators.iter().flat_map(|r| s.expected.iter().map(|c| (*r, *c))))
        .filter(|(_, condition)| JUDGED.contains(condition))
        .collect();
    assert_eq!(found, expected);
}
