//! Ten years of turns in five zones, each turn compared.

use std::collections::BTreeSet;

use chrono::{DateTime, Datelike, Duration, NaiveDate, Utc};
use chrono_tz::Tz;
use oncall::rota::{Level, Override, PersonId, Rota, Share, Start};

use crate::peer::{ask, row};

pub(crate) const WINDOW: (&str, &str) = ("2020-01-01T00:00:00Z", "2031-01-01T00:00:00Z");

/// With and without daylight saving; either hemisphere; a change of half an hour; an offset of half an hour.
const ZONES: [Tz; 5] = [
    chrono_tz::America::New_York,
    chrono_tz::America::Phoenix,
    chrono_tz::Australia::Lord_Howe,
    chrono_tz::Europe::London,
    chrono_tz::America::St_Johns,
];

/// A level: first date, local time, persons with their days.
type Plain = (&'static str, &'static str, &'static [(i32, u16)]);

/// Handovers that daylight saving skips or repeats, on some days in some of the zones, and ordinary ones.
const LEVELS: [Plain; 7] = [
    ("2019-12-02", "08:00:00", &[(1, 7), (2, 7), (3, 7)]),
    ("2019-12-02", "17:30:00", &[(1, 5), (2, 2)]),
    ("2019-12-07", "02:30:00", &[(1, 1), (2, 1), (3, 1)]),
    ("2019-12-08", "01:30:00", &[(4, 1), (2, 1)]),
    ("2019-12-01", "02:10:00", &[(1, 1)]),
    ("2019-12-01", "01:45:59", &[(5, 3), (1, 4), (2, 5), (4, 1)]),
    // begins in the window
    ("2024-02-29", "00:00:00", &[(1, 14), (2, 14)]),
];

pub(crate) fn rotas() -> Vec<Rota> {
    ZONES
        .map(|zone| Rota { zone, levels: (0..).zip(LEVELS).map(level).collect(), holidays: holidays() })
        .into()
}

fn level((index, (date, time, turns)): (usize, Plain)) -> Level {
    let holidays: &[i32] = [&[][..], &[3], &[1, 2, 6, 7]][index % 3];
    Level {
        start: Some(Start { date: date.parse().unwrap(), time: time.parse().unwrap() }),
        turns: turns.iter().map(|(person, days)| Share { person: PersonId(*person), days: *days }).collect(),
        holidays: holidays.iter().copied().map(PersonId).collect(),
        overrides: if index == 0 { Vec::new() } else { overrides(index) },
    }
}

/// Dates that keep coming, two on end, and the Sundays on which clocks change.
fn holidays() -> BTreeSet<NaiveDate> {
    let start: NaiveDate = "2020-01-01".parse().unwrap();
    let is_one = |day: &NaiveDate| {
        let sunday = day.weekday().num_days_from_sunday() == 0;
        let fixed = [(1, 1), (7, 4), (12, 25), (12, 26)].contains(&(day.month(), day.day()));
        fixed
            || sunday
                && matches!((day.month(), day.day()), (3, 8..=14 | 25..) | (4 | 10, 1..=7) | (11, 1..=7))
    };
    start.iter_days().take(11 * 365).filter(is_one).collect()
}

/// Some hundred, from seconds to weeks long, now and then one over another, some for nobody.
fn overrides(seed: usize) -> Vec<Override> {
    let start: DateTime<Utc> = "2019-12-20T00:00:00Z".parse().unwrap();
    let mut state = u64::try_from(seed).unwrap() * 7919 + 17;
    // Knuth's MMIX generator (TAOCP vol. 2, 3.3.4): the same numbers everywhere
    let mut draw = |below: u64| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) % below
    };
    (0..120)
        .map(|_| {
            let from = start + Duration::seconds(i64::try_from(draw(11 * 365 * 86_400)).unwrap());
            let longest_s = [60, 86_400, 30 * 86_400][usize::try_from(draw(3)).unwrap()];
            let to = from + Duration::seconds(1 + i64::try_from(draw(longest_s)).unwrap());
            let person = draw(5) > 0;
            Override { person: person.then_some(PersonId(9)), from, to, why: "ill".to_owned() }
        })
        .collect()
}

#[test]
fn every_turn_is_as_an_independent_library_has_it() {
    let rotas = rotas();
    let answer = ask(&rotas, WINDOW, &[]);
    let [from, to] = [WINDOW.0, WINDOW.1].map(|at| at.parse::<DateTime<Utc>>().unwrap());
    let mut compared = 0;
    for (rota, told) in rotas.iter().zip(answer.cases) {
        assert_eq!(rota.check(), []);
        for (level, expected) in (1..).zip(told) {
            let mut found: Vec<_> = rota.turns(level, from, to).iter().map(row).collect();
            let mut expected = expected;
            // nobody's time before the start has no beginning that could be compared
            if expected[0].0.is_none() {
                expected[0].1.clone_from(&found[0].1);
            }
            assert_eq!(found.len(), expected.len(), "{} level {level}", rota.zone);
            for (ours, theirs) in found.drain(..).zip(expected) {
                assert_eq!(ours, theirs, "{} level {level}", rota.zone);
                compared += 1;
            }
        }
    }
    println!("{compared} turns compared");
    assert!(compared > 50_000, "{compared}");
}
