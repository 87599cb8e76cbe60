//! The standard's own examples of what repeats at a local time: RFC 5545, section 3.8.5.3.

use chrono::{DateTime, Utc};
use oncall::rota::{Level, PersonId, Rota, Share, Start};

/// The local beginnings of the first turns from DTSTART;TZID=America/New_York:19970902T090000, with the offset.
fn beginnings(days: &[u16], count: usize) -> Vec<String> {
    let level = Level {
        start: Some(Start { date: "1997-09-02".parse().unwrap(), time: "09:00:00".parse().unwrap() }),
        turns: (1..).zip(days).map(|(n, days)| Share { person: PersonId(n), days: *days }).collect(),
        ..Level::default()
    };
    let rota = Rota { zone: chrono_tz::America::New_York, levels: vec![level], holidays: [].into() };
    let [from, to] =
        ["1997-09-02T13:00:00Z", "1998-03-01T00:00:00Z"].map(|at| at.parse::<DateTime<Utc>>().unwrap());
    let turns = rota.turns(1, from, to);
    turns[..count]
        .iter()
        .map(|t| t.from.with_timezone(&rota.zone).format("%b %-d %H:%M %Z").to_string())
        .collect()
}

/// "Weekly for 10 occurrences": RRULE:FREQ=WEEKLY;COUNT=10.
#[test]
fn weekly_turns_are_those_of_the_standard() {
    let expected = [
        "Sep 2 09:00 EDT",
        "Sep 9 09:00 EDT",
        "Sep 16 09:00 EDT",
        "Sep 23 09:00 EDT",
        "Sep 30 09:00 EDT",
        "Oct 7 09:00 EDT",
        "Oct 14 09:00 EDT",
        "Oct 21 09:00 EDT",
        "Oct 28 09:00 EST",
        "Nov 4 09:00 EST",
    ];
    assert_eq!(beginnings(&[7], 10), expected);
    assert_eq!(beginnings(&[7, 7, 7], 10), expected);
}

/// "Every other week on Tuesday and Thursday, for 8 occurrences": RRULE:FREQ=WEEKLY;INTERVAL=2;COUNT=8;WKST=SU;BYDAY=TU,TH. From Tuesday to Thursday is
/// one turn, from Thursday to the Tuesday after next the other.
#[test]
fn uneven_turns_are_those_of_the_standard() {
    let expected = [
        "Sep 2 09:00 EDT",
        "Sep 4 09:00 EDT",
        "Sep 16 09:00 EDT",
        "Sep 18 09:00 EDT",
        "Sep 30 09:00 EDT",
        "Oct 2 09:00 EDT",
        "Oct 14 09:00 EDT",
        "Oct 16 09:00 EDT",
    ];
    assert_eq!(beginnings(&[2, 12], 8), expected);
}

/// "Daily for 10 occurrences" and "Every other day" (the same from September on): RRULE:FREQ=DAILY;COUNT=10, RRULE:FREQ=DAILY;INTERVAL=2.
#[test]
fn daily_turns_are_those_of_the_standard() {
    let daily = beginnings(&[1, 1], 10);
    assert_eq!(daily, (2..=11).map(|day| format!("Sep {day} 09:00 EDT")).collect::<Vec<_>>());
    let other = beginnings(&[2], 33);
    let shown = [&other[..3], &other[26..30]].concat();
    let expected = [
        "Sep 2 09:00 EDT",
        "Sep 4 09:00 EDT",
        "Sep 6 09:00 EDT",
        "Oct 24 09:00 EDT",
        "Oct 26 09:00 EST",
        "Oct 28 09:00 EST",
        "Oct 30 09:00 EST",
    ];
    assert_eq!(shown, expected);
}
