use chrono_tz::{America::New_York, Pacific::Apia};

use super::*;

fn hours(zone: Tz, from: &str, to: &str, days: Days) -> QuietHours {
    QuietHours { zone, from: from.parse().unwrap(), to: to.parse().unwrap(), days, up_to: Priority::High }
}

fn until(hours: &QuietHours, at: &str) -> Option<String> {
    let end = hours.until(at.parse().unwrap(), Priority::High);
    end.map(|end| end.format("%Y-%m-%dT%H:%MZ").to_string())
}

/// Eastern time is UTC-5 in winter, UTC-4 in summer.
#[test]
fn a_night_spans_midnight() {
    let night = hours(New_York, "22:00:00", "07:00:00", Days::ALL);
    for (at, end) in [
        ("2026-01-15T02:59:59Z", None),
        ("2026-01-15T03:00:00Z", Some("2026-01-15T12:00Z")),
        ("2026-01-15T11:59:59Z", Some("2026-01-15T12:00Z")),
        ("2026-01-15T12:00:00Z", None),
        ("2026-07-15T02:30:00Z", Some("2026-07-15T11:00Z")),
    ] {
        assert_eq!(until(&night, at).as_deref(), end, "{at}");
    }
    let noon = hours(New_York, "12:00:00", "13:00:00", Days::ALL);
    assert_eq!(until(&noon, "2026-01-15T17:30:00Z").as_deref(), Some("2026-01-15T18:00Z"));
    assert_eq!(until(&noon, "2026-01-15T18:30:00Z"), None);
}

/// Clocks go forward at 2:00 on 8 March 2026 and back at 2:00 on 1 November (the time zone database).
#[test]
fn the_end_is_where_the_wall_clock_says() {
    let night = hours(New_York, "22:00:00", "07:00:00", Days::ALL);
    assert_eq!(until(&night, "2026-03-08T04:00:00Z").as_deref(), Some("2026-03-08T11:00Z"));
    assert_eq!(until(&night, "2026-11-01T03:00:00Z").as_deref(), Some("2026-11-01T12:00Z"));
    // an end that is skipped comes as late as without the gap; of two the first ends it
    let short = hours(New_York, "22:00:00", "02:30:00", Days::ALL);
    assert_eq!(until(&short, "2026-03-08T04:00:00Z").as_deref(), Some("2026-03-08T07:30Z"));
    let short = hours(New_York, "22:00:00", "01:30:00", Days::ALL);
    assert_eq!(until(&short, "2026-11-01T03:00:00Z").as_deref(), Some("2026-11-01T05:30Z"));
    assert_eq!(until(&short, "2026-11-01T06:15:00Z"), None);
    // a beginning that is skipped to beyond the end: that night has none
    let skipped = hours(New_York, "02:30:00", "03:00:00", Days::ALL);
    assert_eq!(until(&skipped, "2026-03-08T07:15:00Z"), None);
    assert_eq!(until(&skipped, "2026-03-09T06:45:00Z").as_deref(), Some("2026-03-09T07:00Z"));
    // Samoa left out the 30th: the night of the 29th ends on the morning of the 31st
    let night = hours(Apia, "22:00:00", "07:00:00", Days::ALL);
    assert_eq!(until(&night, "2011-12-30T09:00:00Z").as_deref(), Some("2011-12-30T17:00Z"));
}

#[test]
fn days_are_those_on_which_they_begin() {
    // 16 January 2026 is a Friday
    let weekend_nights = hours(New_York, "22:00:00", "09:00:00", Days::of(&[Weekday::Fri, Weekday::Sat]));
    assert_eq!(until(&weekend_nights, "2026-01-17T04:00:00Z").as_deref(), Some("2026-01-17T14:00Z"));
    assert_eq!(until(&weekend_nights, "2026-01-18T12:00:00Z").as_deref(), Some("2026-01-18T14:00Z"));
    assert_eq!(until(&weekend_nights, "2026-01-19T04:00:00Z"), None);
    // whole days on end are one
    let weekend = hours(New_York, "00:00:00", "00:00:00", Days::of(&[Weekday::Sat, Weekday::Sun]));
    assert_eq!(until(&weekend, "2026-01-17T12:00:00Z").as_deref(), Some("2026-01-19T05:00Z"));
    assert_eq!(until(&weekend, "2026-01-17T04:59:59Z"), None);
}

#[test]
fn what_is_urgent_is_not_kept_waiting() {
    let mut night = hours(New_York, "22:00:00", "07:00:00", Days::ALL);
    let at = "2026-01-15T04:00:00Z".parse().unwrap();
    let waits = |night: &QuietHours| Priority::ALL.map(|p| night.until(at, p).is_some());
    assert_eq!(waits(&night), [true, true, true, false]);
    night.up_to = Priority::Low;
    assert_eq!(waits(&night), [true, false, false, false]);
    night.up_to = Priority::Critical;
    assert_eq!(waits(&night), [true, true, true, false]);
    assert_eq!(night.check(), Err(Fault::Critical));
}

#[test]
fn hours_that_never_begin_or_end_are_refused() {
    assert_eq!(hours(New_York, "22:00:00", "07:00:00", Days::ALL).check(), Ok(()));
    assert_eq!(hours(New_York, "22:00:00", "07:00:00", Days(0)).check(), Err(Fault::NoDays));
    assert_eq!(hours(New_York, "22:00:00", "22:00:00", Days::ALL).check(), Err(Fault::NoEnd));
}

#[test]
fn they_are_stored_as_json_that_can_be_read() {
    let json = r#"{"zone":"Pacific/Apia","from":"22:00:00","to":"07:00:00","days":31,"up_to":2}"#;
    let night: QuietHours = serde_json::from_str(json).unwrap();
    assert_eq!((night.days.contains(Weekday::Fri), night.days.contains(Weekday::Sat)), (true, false));
    assert_eq!(night.up_to, Priority::Medium);
    assert_eq!(serde_json::to_string(&night).unwrap(), json);
    assert!(serde_json::from_str::<QuietHours>(&json.replace("\"up_to\":2", "\"up_to\":5")).is_err());
}
