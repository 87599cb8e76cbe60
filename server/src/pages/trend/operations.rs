//! Operations per hour or per day.

use chrono::TimeDelta;
use regulator::Timestamp;
use serde::Serialize;
use sqlx::PgConnection;

/// Counts of one regulator, bucket by bucket.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub(crate) struct Operations {
    /// Beginning of each bucket, milliseconds since 1970.
    pub(crate) t: Vec<i64>,
    /// Operations in it, those between its first counter value and the last before it included.
    pub(crate) n: Vec<i64>,
}

impl Operations {
    /// All of them.
    pub(crate) fn total(&self) -> Option<i64> {
        (!self.n.is_empty()).then(|| self.n.iter().sum())
    }
}

/// Whether a stretch of this length is counted by days; else by hours.
pub(crate) fn by_days(length: TimeDelta) -> bool {
    length > TimeDelta::days(3)
}

macro_rules! counts {
    ($connection:expr, $table:literal, $regulator:expr, $modulus:expr, $back:expr, $from:expr, $to:expr) => {
        sqlx::query_as!(
            Count,
            r#"select bucket, (operations + operations_between(before, counter_first, $2, counter_first_at - before_at)) as "n!"
            from (select bucket, operations, counter_first, counter_first_at,
                    lag(counter_last) over w as before, lag(counter_last_at) over w as before_at
                from "# + $table + r#" where regulator_id = $1 and bucket >= $3 and bucket < $5 and counter_first is not null
                window w as (order by bucket)) counted
            where bucket >= $4 order by bucket"#,
            $regulator,
            $modulus,
            $back,
            $from,
            $to
        )
        .fetch_all($connection)
        .await?
    };
}

struct Count {
    bucket: Timestamp,
    n: i64,
}

/// Operations of one regulator in the buckets that begin in the range or hold its beginning.
pub(crate) async fn load(
    connection: &mut PgConnection,
    regulator: i32,
    modulus: u64,
    (from, to): (Timestamp, Timestamp),
    days: bool,
) -> sqlx::Result<Operations> {
    let modulus = i64::try_from(modulus).unwrap_or(i64::MAX);
    // A bucket further back gives the counter's value that the first one goes on from.
    let rows = if days {
        let first = from - TimeDelta::hours(24);
        counts!(connection, "rollup_day", regulator, modulus, first - TimeDelta::days(2), first, to)
    } else {
        let first = from - TimeDelta::minutes(59);
        counts!(connection, "rollup_hour", regulator, modulus, first - TimeDelta::hours(6), first, to)
    };
    let (t, n) = rows.into_iter().map(|row| (row.bucket.timestamp_millis(), row.n)).unzip();
    Ok(Operations { t, n })
}
