//! One batch of readings and its entry in the feed, in one transaction.
//!
//! Batches almost never hold a reading that is stored already, so the fast path is a bare COPY that lets the primary key
//! complain; only then does [`super::merge`] go row by row.

use std::{borrow::Cow, collections::BTreeSet};

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use regulator::Reading;
use serde::Serialize;
use sqlx::{Connection, PgConnection};

use super::{
    copy::CopyBuffer,
    entry::{Entry, Held},
    merge, partitions,
    row::{self, COPY_READING, ROW_BYTES},
};

/// Held from just before a batch's id is drawn until it has committed, so that ids become visible in order.
const FEED_LOCK: i64 = 7_205_759;
/// Rows that are sent together.
const CHUNK: usize = 400;
/// How far ahead of this machine's clock a reading may be dated.
const AHEAD: TimeDelta = TimeDelta::days(1);
/// How old a reading may be, unless [`Writer::keeping`] says otherwise.
const RETENTION: TimeDelta = TimeDelta::days(400);

/// A batch of the feed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct BatchId(pub i64);

/// An endpoint, or one unit behind it, that does not answer now.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Failing {
    /// Whose it is.
    pub endpoint: i32,
    /// Which unit behind the endpoint; none when the endpoint itself cannot be reached.
    pub unit: Option<u16>,
    /// When the first of the failures in a row was.
    pub since: DateTime<Utc>,
    /// What is wrong, for people.
    pub error: String,
}

/// Why a batch was not written. Nothing of it is stored then.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The database refused or did not answer.
    #[error("writing readings: {0}")]
    Database(#[from] sqlx::Error),
}

impl StoreError {
    /// Whether a row of the batch is at fault (SQLSTATE classes 22, data exception, and 23, integrity constraint), so
    /// that writing the rest without it can succeed. Otherwise the whole batch can be tried again later.
    #[must_use]
    pub fn is_fault_of_a_row(&self) -> bool {
        let Self::Database(error) = self;
        sqlstate(error).is_some_and(|code| code.starts_with("22") || code.starts_with("23"))
    }
}

fn sqlstate(error: &sqlx::Error) -> Option<Cow<'_, str>> {
    error.as_database_error().and_then(sqlx::error::DatabaseError::code)
}

/// Writes batches over one connection of its own.
#[derive(Debug)]
pub struct Writer {
    connection: PgConnection,
    poller: String,
    session_started_at: DateTime<Utc>,
    retention: TimeDelta,
    days: BTreeSet<NaiveDate>,
    refused: u64,
    can_stage: bool,
}

impl Writer {
    /// A writer for the poller named `poller`, whose process began at `session_started_at`.
    #[must_use]
    pub const fn new(connection: PgConnection, poller: String, session_started_at: DateTime<Utc>) -> Self {
        let days = BTreeSet::new();
        Self {
            connection,
            poller,
            session_started_at,
            retention: RETENTION,
            days,
            refused: 0,
            can_stage: false,
        }
    }

    /// Refuses readings older than `retention` instead of older than 400 days.
    #[must_use]
    pub const fn keeping(mut self, retention: TimeDelta) -> Self {
        self.retention = retention;
        self
    }

    /// Readings refused so far because their date is absurd.
    #[must_use]
    pub const fn refused(&self) -> u64 {
        self.refused
    }

    /// Writes the batch whole, or nothing of it. Readings of one instant of one regulator are merged, with one another and
    /// with what is stored; so writing a batch twice is harmless. A reading dated more than a day ahead of now, or older than
    /// retention, is refused, counted and logged, and does not hold up the others.
    ///
    /// `watermark`: everything that this poller measured before it is stored once this batch is.
    ///
    /// # Errors
    /// When the database does not answer or refuses. The connection may be of no more use then; whether the batch was
    /// committed is unknown if it broke, and writing it again is the remedy.
    pub async fn write(
        &mut self,
        readings: &[(i32, Reading)],
        watermark: DateTime<Utc>,
        failing: &[Failing],
    ) -> Result<BatchId, StoreError> {
        let entries = self.admit(readings);
        self.make_partitions(&entries).await?;
        match self.write_new(&entries, watermark, failing).await {
            Err(error) if sqlstate(&error).as_deref() == Some("23505") => {
                self.write_merged(&entries, watermark, failing).await
            }
            // no partition: retention, or a hand, dropped one that was there
            Err(error) if sqlstate(&error).as_deref() == Some("23514") => {
                self.days.clear();
                self.make_partitions(&entries).await?;
                self.write_merged(&entries, watermark, failing).await
            }
            other => other,
        }
        .map_err(StoreError::from)
    }

    /// Ends the connection in good order.
    ///
    /// # Errors
    /// When it is broken already.
    pub async fn close(self) -> Result<(), StoreError> {
        Ok(self.connection.close().await?)
    }

    /// The readings with a sane date, by key, those of one key merged.
    fn admit<'a>(&mut self, readings: &'a [(i32, Reading)]) -> Vec<Entry<'a>> {
        let now = Utc::now();
        let sane = now - self.retention..now + AHEAD;
        let mut entries: Vec<Entry<'a>> = Vec::with_capacity(readings.len());
        for (regulator_id, reading) in readings {
            if sane.contains(&reading.measured_at) {
                let at_us = reading.measured_at.timestamp_micros();
                entries.push(Entry { regulator_id: *regulator_id, at_us, reading: Held::Given(reading) });
            }
        }
        if entries.len() < readings.len() {
            self.report_refused(readings, &sane, readings.len() - entries.len());
        }
        // stable, so that of two values of one instant the later arrival wins
        entries.sort_by_key(|e| (e.regulator_id, e.at_us));
        if keep_apart(&mut entries) {
            entries.sort_by_key(|e| (e.regulator_id, e.at_us));
        }
        entries.dedup_by(|next, kept| {
            let same = (next.regulator_id, next.at_us) == (kept.regulator_id, kept.at_us);
            if same {
                kept.reading.merge(&next.reading);
            }
            same
        });
        entries
    }

    fn report_refused(
        &mut self,
        readings: &[(i32, Reading)],
        sane: &std::ops::Range<DateTime<Utc>>,
        count: usize,
    ) {
        self.refused += count as u64;
        if let Some((regulator, first)) = readings.iter().find(|(_, r)| !sane.contains(&r.measured_at)) {
            tracing::warn!(
                count, regulator, measured_at = %first.measured_at,
                "readings refused: dated before {} or after {}; check the clock of this machine or of the device",
                sane.start, sane.end
            );
        }
    }

    async fn make_partitions(&mut self, entries: &[Entry<'_>]) -> sqlx::Result<()> {
        let mut missing: BTreeSet<NaiveDate> = BTreeSet::new();
        let mut last = None;
        for entry in entries {
            let day = entry.reading.measured_at.date_naive();
            if last.replace(day) != Some(day) && !self.days.contains(&day) {
                missing.insert(day);
            }
        }
        for day in missing {
            partitions::make(&mut self.connection, day, day).await?;
            self.days.insert(day);
        }
        Ok(())
    }

    async fn write_new(
        &mut self,
        entries: &[Entry<'_>],
        watermark: DateTime<Utc>,
        failing: &[Failing],
    ) -> sqlx::Result<BatchId> {
        let mut transaction = self.connection.begin().await?;
        if !entries.is_empty() {
            copy_in(&mut transaction, COPY_READING, entries).await?;
        }
        let keys = entries.iter().map(|e| (e.regulator_id, e.reading.measured_at));
        let batch =
            announce(&mut transaction, (&self.poller, self.session_started_at), keys, watermark, failing)
                .await?;
        transaction.commit().await?;
        Ok(batch)
    }

    async fn write_merged(
        &mut self,
        entries: &[Entry<'_>],
        watermark: DateTime<Utc>,
        failing: &[Failing],
    ) -> sqlx::Result<BatchId> {
        if !self.can_stage {
            merge::make_staging(&mut self.connection).await?;
            self.can_stage = true;
        }
        let mut transaction = self.connection.begin().await?;
        let changed = merge::write(&mut transaction, entries).await?;
        let batch = announce(
            &mut transaction,
            (&self.poller, self.session_started_at),
            changed.into_iter(),
            watermark,
            failing,
        )
        .await?;
        transaction.commit().await?;
        Ok(batch)
    }
}

/// Events of one quantity in one instant of the device's clock are put a microsecond apart, in the order in which they came.
/// The entries are in order of their keys; returns whether that has changed.
fn keep_apart(entries: &mut [Entry<'_>]) -> bool {
    let mut moved = false;
    for i in 1..entries.len() {
        let (before, rest) = entries.split_at_mut(i);
        let (last, next) = (&before[i - 1], &mut rest[0]);
        let behind = next.regulator_id == last.regulator_id && next.at_us <= last.at_us;
        if behind && next.reading.contradicts(&last.reading) {
            while next.at_us <= last.at_us && next.may_step_aside() {
                next.step_aside();
            }
            moved = true;
        }
    }
    moved
}

/// Sends the entries into the table that `statement` names.
pub(super) async fn copy_in(
    connection: &mut PgConnection,
    statement: &str,
    entries: &[Entry<'_>],
) -> sqlx::Result<()> {
    let mut copy = connection.copy_in_raw(statement).await?;
    let mut rows = CopyBuffer::with_capacity(CHUNK * ROW_BYTES);
    // in pieces, so that the server stores the first rows while we encode the next
    for piece in entries.chunks(CHUNK) {
        for entry in piece {
            row::encode(&mut rows, entry.regulator_id, &entry.reading);
        }
        copy.send(rows.bytes()).await?;
        rows.clear();
    }
    copy.send(rows.finish()).await?;
    copy.finish().await?;
    Ok(())
}

/// Adds the batch to the feed, as the last act of a transaction.
async fn announce(
    connection: &mut PgConnection,
    (poller, session_started_at): (&str, DateTime<Utc>),
    keys: impl Iterator<Item = (i32, DateTime<Utc>)>,
    watermark: DateTime<Utc>,
    failing: &[Failing],
) -> sqlx::Result<BatchId> {
    let (regulators, times): (Vec<i32>, Vec<DateTime<Utc>>) = keys.unzip();
    let failing = serde_json::to_value(failing).map_err(|error| sqlx::Error::Encode(error.into()))?;
    sqlx::query!("select pg_advisory_xact_lock($1)", FEED_LOCK).execute(&mut *connection).await?;
    let batch = sqlx::query!(
        r#"with batch as (
               insert into reading_batch (poller, session_started_at, watermark, regulator_ids, measured_at, failing)
               values ($1, $2, $3, $4, $5, $6) returning id)
           select id as "id!", pg_notify('reading_batch', '')::text as notified from batch"#,
        poller,
        session_started_at,
        watermark,
        &regulators,
        &times,
        failing,
    )
    .fetch_one(connection)
    .await?;
    Ok(BatchId(batch.id))
}
