//! Operations of one regulator since its site's midnight.

use std::collections::HashMap;

use chrono::TimeDelta;
use chrono_tz::Tz;
use regulator::{Quantity, Reading, Timestamp, counter};
use sqlx::PgConnection;

use super::Day;

/// The count, and the counter value it has come to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Today {
    day: Day,
    zone: Tz,
    operations: u64,
    counter: Option<(u64, Timestamp)>,
    /// No counter value has been usable today.
    unknown: bool,
}

impl Today {
    /// Nothing counted yet on the day of `now`.
    pub(super) fn new(now: Timestamp, zone: Tz) -> Self {
        Self { day: Day::of(now, zone), zone, operations: 0, counter: None, unknown: true }
    }

    /// The count, unless nothing is known of today.
    pub(super) fn operations(&self) -> Option<u64> {
        (!self.unknown).then_some(self.operations)
    }

    /// Begins a new day when the old one has ended by `now`; tells whether it did.
    pub(super) fn roll(&mut self, now: Timestamp) -> bool {
        let over = now >= self.day.end;
        if over {
            *self = Self { counter: self.counter, ..Self::new(now, self.zone) };
        }
        over
    }

    /// Counts on to a reading. One that is no newer than what has been counted is in the count already, or will be with the
    /// next reload.
    pub(super) fn count(&mut self, reading: &Reading, modulus: u64) {
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "counters are whole and not negative"
        )]
        let Some(value) = reading.good(Quantity::Operations).filter(|v| *v >= 0.0).map(|v| v as u64) else {
            return;
        };
        let at = reading.measured_at;
        if self.counter.is_some_and(|(_, counted)| at <= counted) {
            return;
        }
        if at >= self.day.start && at < self.day.end {
            if let Some((earlier, earlier_at)) = self.counter {
                self.operations +=
                    counter::step(earlier, value, modulus, seconds(at - earlier_at)).operations();
            }
            self.unknown = false;
        }
        self.counter = Some((value, at));
    }
}

fn seconds(span: TimeDelta) -> f64 {
    span.as_seconds_f64()
}

/// Counts so far from the hour rollups, for regulators with their zones and counter moduli.
pub(super) async fn load(
    connection: &mut PgConnection,
    regulators: &[(i32, Tz, u64)],
    now: Timestamp,
) -> sqlx::Result<HashMap<i32, Today>> {
    let mut today: HashMap<i32, Today> =
        regulators.iter().map(|&(id, zone, _)| (id, Today::new(now, zone))).collect();
    let ids: Vec<i32> = regulators.iter().map(|r| r.0).collect();
    let starts: Vec<Timestamp> = regulators.iter().map(|r| today[&r.0].day.start).collect();
    let moduli: Vec<i64> = regulators.iter().map(|r| i64::try_from(r.2).unwrap_or(i64::MAX)).collect();
    let rows = sqlx::query!(
        r#"with hour as (
                select h.*, d.starts_at, d.modulus, lag(h.counter_last) over w as before, lag(h.counter_last_at) over w as before_at
                from unnest($1::integer[], $2::timestamptz[], $3::bigint[]) d(id, starts_at, modulus)
                join rollup_hour h on h.regulator_id = d.id and h.bucket >= d.starts_at - interval '1 day'
                where h.counter_first is not null
                window w as (partition by h.regulator_id order by h.bucket))
            select regulator_id as "regulator_id!",
                (sum(operations + operations_between(before, counter_first, modulus, counter_first_at - before_at))
                    filter (where bucket >= starts_at))::bigint as operations,
                (array_agg(counter_last order by bucket desc))[1] as "counter!",
                max(counter_last_at) as "counted_at!"
            from hour group by regulator_id"#,
        &ids,
        &starts,
        &moduli
    )
    .fetch_all(connection)
    .await?;
    for row in rows {
        let Some(entry) = today.get_mut(&row.regulator_id) else { continue };
        entry.counter = Some((row.counter.unsigned_abs(), row.counted_at));
        entry.unknown = row.operations.is_none();
        entry.operations = row.operations.unwrap_or(0).unsigned_abs();
    }
    Ok(today)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn utc(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    fn reading(at: &str, operations: f64) -> Reading {
        Reading::new(utc(at)).with(Quantity::Operations, operations)
    }

    #[test]
    fn counts_through_rollover_and_begins_again_at_local_midnight() {
        let mut today = Today::new(utc("2026-06-01T12:00:00Z"), Tz::America__Chicago);
        assert_eq!(today.operations(), None, "nothing known is not zero");
        today.count(&reading("2026-06-01T12:00:00Z", 65_534.0), 65_536);
        today.count(&reading("2026-06-01T12:01:00Z", 3.0), 65_536);
        assert_eq!(today.operations(), Some(5));
        today.count(&reading("2026-06-01T12:01:00Z", 3.0), 65_536);
        today.count(&reading("2026-06-01T12:00:30Z", 0.0), 65_536);
        assert_eq!(today.operations(), Some(5), "what is not newer does not count again");

        assert!(!today.roll(utc("2026-06-02T04:59:59Z")));
        assert!(today.roll(utc("2026-06-02T05:00:00Z")));
        assert_eq!(today.operations(), None);
        today.count(&reading("2026-06-02T05:00:10Z", 4.0), 65_536);
        assert_eq!(today.operations(), Some(1), "the step over midnight belongs to the new day");
    }
}
