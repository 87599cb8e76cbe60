//! The keys of the server's advisory locks, all in one place so that no two are the same. (The feed has 7205759, partitions 7205760.)

use anyhow::{Context, Result};
use sqlx::{Connection, PgConnection, PgPool};

/// Held by the server that runs detection.
pub(crate) const DETECTION: i64 = 7_205_770;
/// Held by the server that runs the analysis.
pub(crate) const ANALYSIS: i64 = 7_205_771;
/// Held by the server that runs the clock of the alarms.
pub(crate) const CLOCK: i64 = 7_205_772;
/// Held by the server that runs the watchdog.
pub(crate) const WATCHDOG: i64 = 7_205_773;
/// Held to the end of a transaction that moves several alarms, so that two such do not wait for one another in a circle. (A person
/// moves one.)
pub(crate) const MANY_ALARMS: i64 = 7_205_774;
/// Held while messages of one way are claimed: one key a way, from this one on.
pub(crate) const CLAIMS: i64 = 7_205_780;

/// Takes the lead of what `key` stands for, if no other server has it: a connection of its own that holds the lock as long as it lives.
///
/// # Errors
/// When the database cannot be reached.
pub(crate) async fn lead(pool: &PgPool, key: i64) -> Result<Option<PgConnection>> {
    let mut connection = pool.acquire().await.context("reaching the database")?.detach();
    let free = sqlx::query_scalar!(r#"select pg_try_advisory_lock($1) as "free!""#, key)
        .fetch_one(&mut connection)
        .await
        .context("asking for the lead")?;
    if free {
        return Ok(Some(connection));
    }
    connection.close().await.context("closing the connection")?;
    Ok(None)
}
