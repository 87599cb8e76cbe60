//! Thirty days of the fictional utility as the conditions tell them: what goes on is told often enough to be news, and no more.
#![allow(clippy::unwrap_used, reason = "a test")]

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Timelike};
use chrono_tz::{America::Denver, Tz};
use regulator::Timestamp;
use regulator::conditions::{Change, Condition, RegulatorDetector, Settings, Unit};
use simulator::{Fleet, history};

/// When each regulator, by site and phase, was told of, local time.
type Told = BTreeMap<(Condition, String, &'static str), Vec<DateTime<Tz>>>;

/// Polled every five minutes, as the demo's history is.
fn month(settings: &Settings) -> Told {
    let start: Timestamp = "2026-10-21T06:00:00Z".parse().unwrap();
    let mut fleet = Fleet::new(1, start);
    let mut watched: Vec<_> = fleet
        .members()
        .map(|m| (m.site.to_owned(), m.phase.name(), Unit::new(m.nameplate, settings)))
        .map(|(site, phase, unit)| (site, phase, unit, RegulatorDetector::new()))
        .collect();
    let mut told = Told::new();
    for polled in history(&mut fleet, start, start + TimeDelta::days(30), TimeDelta::minutes(5)) {
        for (number, reading) in polled.readings {
            let (site, phase, unit, detector) = &mut watched[number];
            for transition in detector.observe(unit, &reading) {
                if transition.change == Change::Raised {
                    let key = (transition.condition, site.clone(), *phase);
                    told.entry(key).or_default().push(transition.at.with_timezone(&Denver));
                }
            }
        }
    }
    told
}

fn of<'t>(told: &'t Told, condition: Condition, site: &str) -> Vec<&'t [DateTime<Tz>]> {
    let here = told.iter().filter(|((c, at, _), _)| *c == condition && at == site);
    here.map(|(_, times)| times.as_slice()).collect()
}

#[test]
fn an_evening_at_the_tap_limit_is_told_once() {
    let told = month(&Settings::default());
    let limits = of(&told, Condition::TapLimit, "Umbershade");
    assert_eq!(limits.len(), 3);
    for times in limits {
        let evenings: Vec<_> = times.iter().filter(|t| t.hour() >= 15).map(DateTime::date_naive).collect();
        assert!(evenings.len() >= 15, "{times:?}");
        assert!(evenings.is_sorted_by(|a, b| a < b), "twice in one evening: {times:?}");
    }
}

#[test]
fn cloudy_spells_are_told_one_by_one_where_calm_days_are_within_the_limit() {
    let mut settings = Settings::default();
    // The panels' regulators tap 60 to 100 times on a calm day, so that 60 a day is one long alarm.
    settings.set(Condition::ExcessTapping, "per_day", 100.0);
    let told = month(&settings);
    let clouds = of(&told, Condition::ExcessTapping, "Kettlemarrow");
    assert_eq!(clouds.len(), 3);
    for times in clouds {
        assert!((4..=15).contains(&times.len()), "{times:?}");
        let days: Vec<_> = times.iter().map(DateTime::date_naive).collect();
        assert!(days.is_sorted_by(|a, b| a < b), "twice in one day: {times:?}");
    }
}
