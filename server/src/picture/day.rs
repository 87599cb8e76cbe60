//! Days on a site's own clock.

use chrono::{Days, LocalResult, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta, TimeZone, Utc};
use chrono_tz::Tz;
use regulator::Timestamp;

/// One day on a site's clock: from its midnight up to the next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Day {
    /// The local midnight that begins it.
    pub start: Timestamp,
    /// The one that ends it: 23, 24 or 25 hours later.
    pub end: Timestamp,
}

impl Day {
    /// The day that `instant` falls on.
    #[must_use]
    pub fn of(instant: Timestamp, zone: Tz) -> Self {
        let date = instant.with_timezone(&zone).date_naive();
        Self { start: midnight(date, zone), end: midnight(date + Days::new(1), zone) }
    }
}

/// The midnight that begins a day at a place.
pub(crate) fn midnight(date: NaiveDate, zone: Tz) -> Timestamp {
    let mut local: NaiveDateTime = date.and_time(NaiveTime::MIN);
    // Where clocks skip midnight the day begins when they land, within two hours.
    for _ in 0..8 {
        match zone.from_local_datetime(&local) {
            LocalResult::Single(t) | LocalResult::Ambiguous(t, _) => return t.with_timezone(&Utc),
            LocalResult::None => local += TimeDelta::minutes(15),
        }
    }
    local.and_utc()
}

/// The zone of this IANA name; UTC when the name is not known, which import refuses.
#[must_use]
pub(crate) fn zone(name: &str) -> Tz {
    name.parse().unwrap_or(Tz::UTC)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn utc(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    #[test]
    fn a_day_lasts_from_midnight_to_midnight_whatever_the_clocks_do() {
        // Clocks change in Chicago on 2026-03-08 and 2026-11-01 (IANA tz database).
        let day = Day::of(utc("2026-03-08T18:00:00Z"), Tz::America__Chicago);
        assert_eq!(day, Day { start: utc("2026-03-08T06:00:00Z"), end: utc("2026-03-09T05:00:00Z") });
        let day = Day::of(utc("2026-11-01T18:00:00Z"), Tz::America__Chicago);
        assert_eq!((day.end - day.start).num_hours(), 25);
    }

    #[test]
    fn where_midnight_is_skipped_the_day_begins_an_hour_later() {
        // Chile moved its clocks from 24:00 to 01:00 on 2025-09-06/07 (IANA tz database).
        let day = Day::of(utc("2025-09-07T12:00:00Z"), Tz::America__Santiago);
        assert_eq!(day.start, utc("2025-09-07T04:00:00Z"));
    }
}
