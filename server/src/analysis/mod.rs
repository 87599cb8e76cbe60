//! Follows the feed and writes down what the engineering finds: each operation with its cause, and each unit's service life (wear,
//! time at each tap, when it last moved and last passed neutral).
//!
//! One pass is one transaction, as in [`crate::detection`]: cursor, operations, days and lives move together or not at all. Nothing
//! here is urgent, so a pass takes what has gathered in a while. A cause needs the minutes before and after an operation, so
//! operations are written some minutes late; what is known of those minutes is kept in memory, and read again from the readings
//! after a start.
//!
//! [`unit`] holds one regulator, [`fleet`] what is known of all of them besides readings, [`memory`] takes a pass's readings,
//! [`store`] is the SQL.

mod fleet;
mod memory;
mod store;
mod unit;

#[cfg(test)]
mod tests;

use std::time::Duration;

use anyhow::{Context, Result};
use sqlx::{Connection, PgConnection, PgPool};
use tokio_util::sync::CancellationToken;

use crate::{feed, locks};
use fleet::Fleet;
use memory::Memory;

pub(crate) use unit::stay;

/// The name of the analysis's cursor.
const FOLLOWER: &str = "analysis";
/// How long to let readings gather, and to wait before trying again.
const PACE: Duration = Duration::from_secs(15);
/// Most readings taken in one pass: bounds memory and how long a pass takes.
const MOST_READINGS: i64 = 40_000;

/// Runs passes until `stop` is cancelled. While another server does so, or the database is away, waits.
pub(crate) async fn run(pool: PgPool, stop: CancellationToken) {
    while !stop.is_cancelled() {
        if let Err(error) = lead(&pool, &stop).await {
            tracing::warn!(error = format!("{error:#}"), "analysis: a pass failed; trying again");
        }
        pause(&stop).await;
    }
}

async fn pause(stop: &CancellationToken) {
    tokio::select! {
        () = tokio::time::sleep(PACE) => {}
        () = stop.cancelled() => {}
    }
}

async fn lead(pool: &PgPool, stop: &CancellationToken) -> Result<()> {
    let Some(mut connection) = locks::lead(pool, locks::ANALYSIS).await? else { return Ok(()) };
    let mut analyst = Analyst::default();
    while !stop.is_cancelled() {
        if !analyst.pass(&mut connection).await? {
            pause(stop).await;
        }
    }
    connection.close().await.context("closing the connection")
}

/// Runs passes over one connection after another.
#[derive(Debug, Default)]
struct Analyst {
    fleet: Fleet,
    /// As of this cursor; nothing when it has to be loaded.
    remembered: Option<(i64, Memory)>,
}

impl Analyst {
    /// One transaction's worth of the feed. Returns whether there was any, and so may be more.
    ///
    /// # Errors
    /// When the database fails; the pass has then not happened, or, if it failed in committing, may have: what is remembered is
    /// dropped either way, and the next pass starts from what is stored.
    async fn pass(&mut self, connection: &mut PgConnection) -> Result<bool> {
        let mut transaction = connection.begin().await.context("beginning a pass")?;
        let cursor = store::lock_cursor(&mut transaction, FOLLOWER).await.context("locking the cursor")?;
        self.fleet.refresh(&mut transaction).await.context("loading the inventory")?;
        // Taken out: whatever fails below, it is not kept.
        let (_, mut memory) = match self.remembered.take() {
            Some(remembered) if remembered.0 == cursor => remembered,
            _ => (cursor, store::load(&mut transaction, &self.fleet).await.context("loading what is known")?),
        };
        memory.fit(&self.fleet);
        let batches =
            feed::after(&mut transaction, cursor, MOST_READINGS).await.context("reading the feed")?;
        let readings = feed::of(&mut transaction, &batches).await.context("reading readings")?;
        let assigned = memory.take(&self.fleet, readings.into_iter().flatten().collect());
        store::operations(&mut transaction, &assigned).await.context("writing operations")?;
        store::save(&mut transaction, &mut memory).await.context("writing service lives")?;
        let reached = batches.last().map_or(cursor, |batch| batch.id);
        if reached != cursor {
            store::move_cursor(&mut transaction, FOLLOWER, reached).await.context("moving the cursor")?;
        }
        transaction.commit().await.context("committing a pass")?;
        self.remembered = Some((reached, memory));
        Ok(!batches.is_empty())
    }
}
