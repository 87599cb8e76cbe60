//! Runs the conditions over the feed, exactly once, and records alarms.
//!
//! One pass is one transaction: it locks the cursor, takes the next batches, judges their readings (`memory`), and writes alarms
//! and their steps (`crate::alarms`), messages to send, what the conditions remember (`store`) and the cursor. Whatever kills
//! it, the pass has happened or has not. Between passes the memory is kept, and thrown away as soon as the cursor is not where
//! this process left it.
//!
//! One server at a time runs passes: the one that holds a session's advisory lock. The lock only spares the others work; what
//! keeps two servers apart is the lock on the cursor's row.

mod areas;
mod beside;
mod fleet;
mod memory;
mod runner;
mod status;
mod store;
pub(crate) mod thresholds;

#[cfg(test)]
mod beside_tests;
#[cfg(test)]
mod drill;
#[cfg(test)]
mod stories;
#[cfg(test)]
mod storm;

pub use status::{Snapshot, Status};
pub(crate) use thresholds::Thresholds;

use std::{sync::Arc, time::Duration};

use anyhow::{Context, Result};
use sqlx::{Connection, PgConnection, PgPool};
use tokio_util::sync::CancellationToken;

use crate::{feed::Wakeups, locks};
use runner::Runner;

/// How long to wait before trying again, to lead or to reach the database.
const RETRY: Duration = Duration::from_secs(1);

/// Runs passes as batches arrive, until `stop` is cancelled. While another server does so, waits to take over; while the
/// database is away, waits for it.
pub async fn run(pool: PgPool, status: Arc<Status>, stop: CancellationToken) {
    let mut wakeups = Wakeups::new(pool.clone());
    while !stop.is_cancelled() {
        if let Err(error) = lead(&pool, &mut wakeups, &status, &stop).await {
            status.failed();
            tracing::warn!(error = format!("{error:#}"), "detection: a pass failed; trying again");
        }
        status.leads(false);
        tokio::select! {
            () = tokio::time::sleep(RETRY) => {}
            () = stop.cancelled() => {}
        }
    }
}

/// Takes the lead if it is free and keeps it until told to stop; returns at once if another server has it.
async fn lead(
    pool: &PgPool,
    wakeups: &mut Wakeups,
    status: &Arc<Status>,
    stop: &CancellationToken,
) -> Result<()> {
    let Some(mut connection) = locks::lead(pool, locks::DETECTION).await? else { return Ok(()) };
    status.leads(true);
    wakeups.listen().await.context("listening for batches")?;
    passes(&mut connection, wakeups, status, stop).await?;
    connection.close().await.context("closing the connection")
}

async fn passes(
    connection: &mut PgConnection,
    wakeups: &mut Wakeups,
    status: &Arc<Status>,
    stop: &CancellationToken,
) -> Result<()> {
    let mut runner = Runner::new(Arc::clone(status));
    while !stop.is_cancelled() {
        if runner.pass(connection).await? {
            continue;
        }
        tokio::select! {
            () = wakeups.wait() => {}
            () = stop.cancelled() => {}
        }
    }
    Ok(())
}
