//! Daily partitions of the readings: made ahead, dropped by retention. Both go through functions of the schema, so that the
//! poller needs no right to create or drop tables.

use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc};
use sqlx::PgConnection;

/// How many days ahead partitions exist, so that a database that refuses for a weekend stops nothing.
const DAYS_AHEAD: u64 = 3;

/// Makes the partitions from yesterday to three days ahead; harmless when they are there.
///
/// # Errors
/// When the database does not answer or refuses.
pub async fn make_ahead(connection: &mut PgConnection, now: DateTime<Utc>) -> sqlx::Result<()> {
    let today = now.date_naive();
    make(connection, today - Days::new(1), today + Days::new(DAYS_AHEAD)).await
}

/// Drops the partitions that hold only readings and minutes older than `retention`, and returns how many.
///
/// # Errors
/// When the database does not answer, or a long query holds a partition: try again later.
pub async fn drop_old(
    connection: &mut PgConnection,
    now: DateTime<Utc>,
    retention: TimeDelta,
) -> sqlx::Result<i32> {
    let before = (now - retention).date_naive();
    let dropped =
        sqlx::query_scalar!("select drop_reading_partitions($1)", before).fetch_one(&mut *connection).await?;
    let minutes =
        sqlx::query_scalar!("select drop_rollup_partitions($1)", before).fetch_one(connection).await?;
    Ok(dropped.unwrap_or(0) + minutes.unwrap_or(0))
}

/// Makes the partitions of the days `first` to `last`.
pub(super) async fn make(
    connection: &mut PgConnection,
    first: NaiveDate,
    last: NaiveDate,
) -> sqlx::Result<()> {
    sqlx::query!("select make_reading_partitions($1, $2)", first, last).fetch_one(connection).await?;
    Ok(())
}
