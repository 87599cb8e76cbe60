//! Brings batches to the database, however long it is away, and sees to it that one bad row does not hold up the rest.

use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use rand::RngExt;
use regulator::Reading;
use sqlx::{Connection, PgConnection};
use tokio::{
    sync::mpsc,
    time::{sleep, timeout},
};

use super::{
    hold::Page,
    writer::{Failing, StoreError, Writer},
};
use crate::metrics::Shared;

/// A server that does not answer a write for so long is given up, and the write tried anew.
const WRITE_TIMEOUT: Duration = Duration::from_secs(60);
const CONNECT_TIMEOUT: Duration = Duration::from_secs(5);
const FIRST_WAIT: Duration = Duration::from_millis(250);
const LONGEST_WAIT: Duration = Duration::from_secs(5);

/// Who writes where.
#[derive(Debug, Clone)]
pub struct Target {
    /// The database.
    pub database_url: String,
    /// Name of this poller.
    pub poller: String,
    /// When its process began.
    pub session_started_at: DateTime<Utc>,
    /// How long readings are kept.
    pub retention: TimeDelta,
}

/// One batch on its way.
#[derive(Debug)]
pub(super) struct Batch {
    pub(super) page: Page,
    pub(super) watermark: DateTime<Utc>,
    pub(super) failing: Vec<Failing>,
}

/// A wait that doubles, with jitter.
#[derive(Debug)]
pub(crate) struct Backoff(Duration);

impl Backoff {
    pub(crate) const fn new() -> Self {
        Self(FIRST_WAIT)
    }

    pub(crate) async fn wait(&mut self) {
        let jitter = rand::rng().random_range(0.8..1.2);
        sleep(self.0.mul_f64(jitter)).await;
        self.0 = (self.0 * 2).min(LONGEST_WAIT);
    }
}

/// Connects to the database, but does not wait for ever.
pub(crate) async fn connect(database_url: &str) -> sqlx::Result<PgConnection> {
    timeout(CONNECT_TIMEOUT, PgConnection::connect(database_url))
        .await
        .unwrap_or_else(|_| Err(sqlx::Error::Io(std::io::ErrorKind::TimedOut.into())))
}

/// Writes each batch until it is written; says when it is.
pub(super) async fn deliver(
    target: Target,
    mut batches: mpsc::Receiver<Batch>,
    done: mpsc::Sender<()>,
    counters: Shared,
) {
    let mut courier = Courier { target, writer: None, counters };
    while let Some(batch) = batches.recv().await {
        courier.bring(&batch).await;
        if done.send(()).await.is_err() {
            break;
        }
    }
    if let Some(writer) = courier.writer {
        // everything is committed; a connection that does not close in good order changes nothing
        drop(writer.close().await);
    }
}

struct Courier {
    target: Target,
    writer: Option<Writer>,
    counters: Shared,
}

impl Courier {
    async fn bring(&mut self, batch: &Batch) {
        let mut backoff = Backoff::new();
        let mut told = false;
        while let Err(error) = self.try_once(batch).await {
            self.writer = None;
            self.counters.lock().database_up = false;
            if !std::mem::replace(&mut told, true) {
                tracing::warn!(
                    "the database does not take readings, holding them in memory meanwhile: {error}"
                );
            }
            backoff.wait().await;
        }
        if told {
            tracing::info!("the database takes readings again");
        }
        let mut counters = self.counters.lock();
        counters.database_up = true;
        #[allow(clippy::cast_precision_loss, reason = "a page is small")]
        counters.batch_sizes.observe(batch.page.readings.len() as f64);
    }

    async fn try_once(&mut self, batch: &Batch) -> Result<(), StoreError> {
        let writer = match &mut self.writer {
            Some(writer) => writer,
            none => none.insert(writer(&self.target).await?),
        };
        let before = writer.refused();
        let writing = timeout(WRITE_TIMEOUT, write(writer, batch));
        let at_fault = writing.await.map_err(|_| sqlx::Error::Io(std::io::ErrorKind::TimedOut.into()))??;
        let refused = at_fault + writer.refused() - before;
        let mut counters = self.counters.lock();
        counters.refused += refused;
        counters.written += (batch.page.readings.len() as u64).saturating_sub(refused);
        Ok(())
    }
}

async fn writer(target: &Target) -> sqlx::Result<Writer> {
    let connection = connect(&target.database_url).await?;
    Ok(Writer::new(connection, target.poller.clone(), target.session_started_at).keeping(target.retention))
}

/// Writes the batch; rows that the database refuses are left out, logged and counted.
async fn write(writer: &mut Writer, batch: &Batch) -> Result<u64, StoreError> {
    match writer.write(&batch.page.readings, batch.watermark, &batch.failing).await {
        Ok(_) => Ok(0),
        Err(error) if error.is_fault_of_a_row() => write_around(writer, batch).await,
        Err(error) => Err(error),
    }
}

/// Halves the batch until the rows at fault stand alone. The pieces promise nothing about what is stored; the empty batch
/// after them does.
async fn write_around(writer: &mut Writer, batch: &Batch) -> Result<u64, StoreError> {
    let mut refused = 0;
    let mut pieces: Vec<&[(i32, Reading)]> = vec![&batch.page.readings];
    while let Some(piece) = pieces.pop() {
        let watermark = batch.watermark.min(batch.page.oldest);
        match writer.write(piece, watermark, &batch.failing).await {
            Ok(_) => {}
            Err(error) if !error.is_fault_of_a_row() => return Err(error),
            Err(error) => match piece {
                [(regulator, reading)] => {
                    refused += 1;
                    tracing::error!(
                        regulator, measured_at = %reading.measured_at, ?reading,
                        "the database refused a reading, which is lost: {error}"
                    );
                }
                _ => {
                    let (first, second) = piece.split_at(piece.len() / 2);
                    pieces.extend([second, first].into_iter().filter(|half| !half.is_empty()));
                }
            },
        }
    }
    writer.write(&[], batch.watermark, &batch.failing).await?;
    Ok(refused)
}
