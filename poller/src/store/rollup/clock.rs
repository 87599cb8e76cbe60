//! Where a minute, hour or day of a site's local clock begins: what SQL's `date_trunc(unit, instant, zone)` says, also in the
//! hours around a change of the clock. A test beside this holds the two together.

use chrono::{DateTime, Duration, MappedLocalTime, NaiveTime, Offset, TimeDelta, TimeZone, Utc};
use chrono_tz::Tz;

/// The minute that holds `at`. Every zone in use is off UTC by whole minutes.
pub(super) fn minute(at: DateTime<Utc>) -> DateTime<Utc> {
    floor(at, 60, 0)
}

/// The local hour that holds `at`; of the two hours of the same name when clocks go back, the one meant.
pub(super) fn hour(at: DateTime<Utc>, zone: Tz) -> DateTime<Utc> {
    let offset = zone.offset_from_utc_datetime(&at.naive_utc()).fix().local_minus_utc();
    floor(at, 3600, i64::from(offset))
}

/// The local midnight before `at`. Where clocks go back over midnight it is the second one; where they skip midnight, the
/// moment at which they do.
pub(super) fn day(at: DateTime<Utc>, zone: Tz) -> DateTime<Utc> {
    let midnight = at.with_timezone(&zone).date_naive().and_time(NaiveTime::MIN);
    match zone.from_local_datetime(&midnight) {
        MappedLocalTime::Single(start) | MappedLocalTime::Ambiguous(_, start) => start.to_utc(),
        MappedLocalTime::None => {
            let offset = zone.offset_from_utc_datetime(&(midnight - Duration::hours(24))).fix();
            (midnight - TimeDelta::seconds(i64::from(offset.local_minus_utc()))).and_utc()
        }
    }
}

fn floor(at: DateTime<Utc>, seconds: i64, offset: i64) -> DateTime<Utc> {
    let unix = at.timestamp();
    let start = unix - (unix + offset).rem_euclid(seconds);
    DateTime::from_timestamp(start, 0).expect("an instant beside a valid one")
}

#[cfg(test)]
mod tests {
    use private_postgres::testing::TestDatabase;

    use super::*;

    /// Zones with half hours, with half an hour of daylight saving, and with changes of the clock at midnight.
    const ZONES: [&str; 8] = [
        "UTC",
        "America/Chicago",
        "Asia/Kolkata",
        "Australia/Adelaide",
        "Australia/Lord_Howe",
        "America/Havana",
        "Africa/Cairo",
        "Asia/Kathmandu",
    ];

    #[tokio::test]
    async fn buckets_begin_where_date_trunc_says() {
        let database = TestDatabase::new().await;
        for name in ZONES {
            let zone: Tz = name.parse().unwrap();
            let rows = sqlx::query!(
                r#"select t as "t!", date_trunc('minute', t, $1) as "minute!", date_trunc('hour', t, $1) as "hour!",
                          date_trunc('day', t, $1) as "day!"
                   from generate_series('2024-12-25Z'::timestamptz, '2026-01-10Z', '13 min 17.5 s') t"#,
                name
            )
            .fetch_all(&database.pool)
            .await
            .unwrap();
            for row in rows {
                let ours = (minute(row.t), hour(row.t, zone), day(row.t, zone));
                assert_eq!(ours, (row.minute, row.hour, row.day), "{} in {name}", row.t);
            }
        }
    }
}
