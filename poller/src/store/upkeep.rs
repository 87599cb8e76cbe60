//! Partitions made ahead, old readings dropped, and the feed trimmed behind its followers.

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::PgConnection;

use super::partitions;

/// Batches stay in the feed for so long even when every follower has seen them, for whoever investigates.
const FEED_KEPT: TimeDelta = TimeDelta::days(2);

/// Does what must be done daily; harmless more often.
///
/// # Errors
/// When the database does not answer, or a long query holds an old partition: try again later.
pub async fn run(
    connection: &mut PgConnection,
    now: DateTime<Utc>,
    retention: TimeDelta,
) -> sqlx::Result<()> {
    partitions::make_ahead(connection, now).await?;
    let dropped = partitions::drop_old(connection, now, retention).await?;
    if dropped > 0 {
        tracing::info!(dropped, "dropped partitions older than retention");
    }
    trim_feed(connection, now, retention).await
}

/// Removes batches that every follower has seen; one that stopped following is waited for as long as readings are kept.
async fn trim_feed(
    connection: &mut PgConnection,
    now: DateTime<Utc>,
    retention: TimeDelta,
) -> sqlx::Result<()> {
    sqlx::query!(
        "delete from reading_batch
         where written_at < $2 or written_at < $1 and id < (select min(batch_id) from feed_cursor)",
        now - FEED_KEPT.min(retention),
        now - retention
    )
    .execute(connection)
    .await?;
    Ok(())
}
