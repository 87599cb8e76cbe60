//! One pass after another.

use std::sync::Arc;

use anyhow::{Context, Result};
use sqlx::{Connection, PgConnection};

use super::{
    fleet::Fleet,
    memory::{Counts, Memory, Told},
    status::Status,
    store,
};
use crate::{
    alarms::{self, Act, Recorded, Silences},
    feed, notification, watchdog,
};

/// The name of detection's cursor.
const FOLLOWER: &str = "detection";
/// Most readings taken in one pass: bounds memory and how long a pass takes.
const MOST_READINGS: i64 = 40_000;

/// Runs passes over one connection after another.
#[derive(Debug)]
pub(super) struct Runner {
    fleet: Fleet,
    /// As of this cursor; nothing when it has to be loaded.
    remembered: Option<Remembered>,
    status: Arc<Status>,
    most_readings: i64,
}

#[derive(Debug)]
struct Remembered {
    cursor: i64,
    memory: Memory,
    silences: Silences,
}

/// What a pass did, to be counted once it is committed.
#[derive(Debug, Default)]
pub(super) struct Done {
    batches: usize,
    cursor: i64,
    lag: i64,
    counts: Counts,
    raised: u64,
    returned: u64,
}

impl Runner {
    pub(super) fn new(status: Arc<Status>) -> Self {
        Self { fleet: Fleet::default(), remembered: None, status, most_readings: MOST_READINGS }
    }

    /// Takes fewer readings in a pass.
    #[cfg(test)]
    pub(super) const fn with_most_readings(mut self, most: i64) -> Self {
        self.most_readings = most;
        self
    }

    /// One transaction's worth of the feed. Returns whether there was any, and so may be more.
    ///
    /// # Errors
    /// When the database fails; the pass has then not happened, or, if it failed in committing, may have: what is remembered is
    /// dropped either way, and the next pass starts from what is stored.
    pub(super) async fn pass(&mut self, connection: &mut PgConnection) -> Result<bool> {
        let done = self.attempt(connection).await;
        if done.is_err() {
            self.remembered = None;
        }
        let done = done?;
        self.count(&done);
        Ok(done.batches > 0)
    }

    async fn attempt(&mut self, connection: &mut PgConnection) -> Result<Done> {
        let mut transaction = connection.begin().await.context("beginning a pass")?;
        let done = self.work(&mut transaction).await?;
        transaction.commit().await.context("committing a pass")?;
        Ok(done)
    }

    /// Everything of a pass but its commit.
    pub(super) async fn work(&mut self, connection: &mut PgConnection) -> Result<Done> {
        let cursor = lock_cursor(&mut *connection).await.context("locking the cursor")?;
        let remembered = match self.remembered.take() {
            Some(remembered) if remembered.cursor == cursor => remembered,
            _ => Remembered {
                cursor,
                memory: store::load(&mut *connection).await.context("loading what detection remembers")?,
                silences: Silences::load(&mut *connection).await.context("loading silences")?,
            },
        };
        let remembered = self.remembered.insert(remembered);
        let batches =
            feed::after(&mut *connection, cursor, self.most_readings).await.context("reading the feed")?;
        // After the batches: what they name may be newer than the inventory known here.
        self.fleet.refresh(&mut *connection).await.context("loading the inventory")?;
        let readings = feed::of(&mut *connection, &batches).await.context("reading readings")?;

        let mut done = Done { batches: batches.len(), cursor, ..Done::default() };
        remembered.leave_retired(&mut *connection, &self.fleet, &mut done).await.context("retiring")?;
        let mut acts = vec![];
        for (batch, readings) in batches.iter().zip(&readings) {
            let mut told = vec![];
            let counts = remembered.memory.take(&self.fleet, batch, readings, &mut told);
            acts.extend(ordered(told));
            done.add(counts);
            done.cursor = batch.id;
        }
        if batches.is_empty() {
            let mut told = vec![];
            remembered.look_at_pollers(&mut *connection, &self.fleet, &mut told).await?;
            acts.extend(ordered(told));
        }
        if !acts.is_empty() {
            remembered.silences.relations = remembered.memory.relations(&self.fleet);
            done.record(&mut *connection, &mut remembered.silences, acts).await?;
        }
        store::save(&mut *connection, &mut remembered.memory)
            .await
            .context("storing what detection remembers")?;
        if done.cursor != cursor {
            move_cursor(&mut *connection, done.cursor).await.context("moving the cursor")?;
            remembered.cursor = done.cursor;
        }
        watchdog::alive(&mut *connection, watchdog::Part::Detection)
            .await
            .context("giving a sign of life")?;
        done.lag = feed::last_id(connection).await? - done.cursor;
        Ok(done)
    }

    fn count(&self, done: &Done) {
        self.status.update(|s| {
            s.cursor = done.cursor;
            s.lag_batches = done.lag;
            s.last_pass_at = Some(chrono::Utc::now());
            s.readings_judged += done.counts.judged;
            s.readings_late += done.counts.late;
            s.readings_ahead += done.counts.ahead;
            s.readings_unknown += done.counts.unknown;
            s.alarms_raised += done.raised;
            s.alarms_returned += done.returned;
        });
    }
}

impl Remembered {
    async fn leave_retired(
        &mut self,
        connection: &mut PgConnection,
        fleet: &Fleet,
        done: &mut Done,
    ) -> Result<()> {
        let gone = self.memory.fit(fleet);
        if gone.regulators.is_empty() && gone.banks.is_empty() {
            return Ok(());
        }
        store::forget(&mut *connection, &gone).await?;
        let recorded = alarms::retire(&mut *connection).await?;
        done.tell(connection, &recorded).await
    }

    async fn look_at_pollers(
        &mut self,
        connection: &mut PgConnection,
        fleet: &Fleet,
        told: &mut Vec<Told>,
    ) -> Result<()> {
        // The database's clock, which also stamps the batches.
        let now = sqlx::query_scalar!(r#"select clock_timestamp() as "now!""#).fetch_one(connection).await?;
        self.memory.look_at_pollers(fleet, now, told);
        Ok(())
    }
}

impl Done {
    /// Whether there was nothing in the feed.
    #[cfg(test)]
    pub(super) const fn is_idle(&self) -> bool {
        self.batches == 0
    }

    const fn add(&mut self, counts: Counts) {
        self.counts.judged += counts.judged;
        self.counts.late += counts.late;
        self.counts.ahead += counts.ahead;
        self.counts.unknown += counts.unknown;
    }

    async fn record(
        &mut self,
        connection: &mut PgConnection,
        silences: &mut Silences,
        acts: Vec<Act>,
    ) -> Result<()> {
        let recorded =
            alarms::record(&mut *connection, acts, Some(silences)).await.context("recording alarms")?;
        self.tell(connection, &recorded).await
    }

    async fn tell(&mut self, connection: &mut PgConnection, recorded: &Recorded) -> Result<()> {
        notification::tell(connection, recorded).await.context("enqueueing messages")?;
        self.raised += recorded.raised;
        self.returned += recorded.returned;
        Ok(())
    }
}

/// What one batch tells, in order.
fn ordered(told: Vec<Told>) -> Vec<Act> {
    alarms::in_order(told.into_iter().map(|(place, transition)| Act::told(place, transition)).collect())
}

async fn lock_cursor(connection: &mut PgConnection) -> sqlx::Result<i64> {
    let locked = async |connection: &mut PgConnection| {
        sqlx::query_scalar!("select batch_id from feed_cursor where follower = $1 for update", FOLLOWER)
            .fetch_optional(connection)
            .await
    };
    if let Some(cursor) = locked(&mut *connection).await? {
        return Ok(cursor);
    }
    sqlx::query!(
        "insert into feed_cursor (follower, batch_id) values ($1, 0) on conflict do nothing",
        FOLLOWER
    )
    .execute(&mut *connection)
    .await?;
    Ok(locked(connection).await?.unwrap_or(0))
}

async fn move_cursor(connection: &mut PgConnection, to: i64) -> sqlx::Result<()> {
    sqlx::query!("update feed_cursor set batch_id = $2, moved_at = now() where follower = $1", FOLLOWER, to)
        .execute(connection)
        .await
        .map(drop)
}
