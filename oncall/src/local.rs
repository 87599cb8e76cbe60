//! Local times that do not exist, or come twice.
//!
//! The rule is that of RFC 5545, section 3.3.5 (form 3): a local time that comes twice means the first; one that is skipped is read with the
//! offset from before the gap, and so falls as long after the gap's beginning as it would have without it.

use chrono::{DateTime, Days, Duration, NaiveDate, NaiveDateTime, NaiveTime, Offset, TimeZone, Utc};
use chrono_tz::Tz;

/// The longest gap there has been: a whole day left out where the date line was moved, and a margin.
const LONGEST_GAP_HOURS: i64 = 26;

/// The instant of a local time.
#[must_use]
pub fn instant(zone: Tz, local: NaiveDateTime) -> DateTime<Utc> {
    match zone.from_local_datetime(&local).earliest() {
        Some(at) => at.to_utc(),
        None => (local - offset_before(zone, local)).and_utc(),
    }
}

/// The instant at which a local day begins.
#[must_use]
pub fn midnight(zone: Tz, date: NaiveDate) -> DateTime<Utc> {
    instant(zone, date.and_time(NaiveTime::MIN))
}

/// The date that it is somewhere.
#[must_use]
pub fn date(zone: Tz, at: DateTime<Utc>) -> NaiveDate {
    at.with_timezone(&zone).date_naive()
}

/// A date some days on; the calendar's last date if there is none.
pub(crate) fn days_on(date: NaiveDate, days: u64) -> NaiveDate {
    date.checked_add_days(Days::new(days)).unwrap_or(NaiveDate::MAX)
}

/// The offset that held up to the gap in which `local` lies.
///
/// Changes are at whole quarters of an hour, and so is the walk back to the last time that there was.
fn offset_before(zone: Tz, local: NaiveDateTime) -> Duration {
    let last = (1..=LONGEST_GAP_HOURS * 4)
        .map(|quarters| local - Duration::minutes(15 * quarters))
        .find_map(|earlier| zone.offset_from_local_datetime(&earlier).latest());
    let offset = last.unwrap_or_else(|| zone.offset_from_utc_datetime(&local));
    Duration::seconds(offset.fix().local_minus_utc().into())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(zone: Tz, local: &str) -> String {
        instant(zone, local.parse().unwrap()).to_rfc3339_opts(chrono::SecondsFormat::Secs, true)
    }

    /// RFC 5545, section 3.3.5: "the DATE-TIME value refers to the first occurrence", "TZID=America/New_York:20071104T013000 indicates November 4, 2007
    /// at 1:30 A.M. EDT (UTC-04:00)"; "TZID=America/New_York:20070311T023000 indicates March 11, 2007 at 3:30 A.M. EDT (UTC-04:00)".
    #[test]
    fn skipped_and_repeated_times_are_read_as_rfc_5545_has_them() {
        use chrono_tz::America::New_York;
        assert_eq!(at(New_York, "2007-11-04T01:30:00"), "2007-11-04T05:30:00Z");
        assert_eq!(at(New_York, "2007-03-11T02:30:00"), "2007-03-11T07:30:00Z");
        // either side of both
        assert_eq!(at(New_York, "2007-03-11T01:59:59"), "2007-03-11T06:59:59Z");
        assert_eq!(at(New_York, "2007-03-11T03:00:00"), "2007-03-11T07:00:00Z");
        assert_eq!(at(New_York, "2007-11-04T02:00:00"), "2007-11-04T07:00:00Z");
    }

    /// Lord Howe Island changes by half an hour, and Samoa left out 30 December 2011 (the time zone database).
    #[test]
    fn gaps_need_not_be_an_hour() {
        use chrono_tz::{Australia::Lord_Howe, Pacific::Apia};
        assert_eq!(at(Lord_Howe, "2026-10-04T02:10:00"), "2026-10-03T15:40:00Z");
        assert_eq!(at(Lord_Howe, "2026-04-05T01:45:00"), "2026-04-04T14:45:00Z");
        assert_eq!(at(Apia, "2011-12-30T09:00:00"), "2011-12-30T19:00:00Z");
        assert_eq!(at(Apia, "2011-12-31T09:00:00"), "2011-12-30T19:00:00Z");
    }
}
