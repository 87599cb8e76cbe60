//! Watches the parts that watch: detection, delivery, and the clock that calls people.
//!
//! Each part says now and then that it runs ([`alive`]). One server at a time looks at those signs, and at how much waits and how much has
//! been done; what has stopped becomes an alarm (`parts`), recorded and sent by what still runs. That polling has stopped
//! is found by detection. For what no part of this program can tell any more there is the heartbeat to an outside
//! address (`heartbeat`): it beats while all is well, and whoever listens there notices when it does not.

mod heartbeat;
mod parts;
#[cfg(test)]
mod tests;

use std::time::Duration;

use anyhow::{Context, Result};
use sqlx::{Connection, PgConnection, PgPool};
use tokio_util::sync::CancellationToken;

use crate::locks;

pub use heartbeat::Heartbeat;

/// How often to look.
const EVERY: Duration = Duration::from_secs(5);

/// A part that says that it runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Part {
    /// Judges readings.
    Detection,
    /// Delivers messages.
    Delivery,
    /// Ends shelving and calls the next level.
    Clock,
}

impl Part {
    const ALL: [Self; 3] = [Self::Detection, Self::Delivery, Self::Clock];

    const fn name(self) -> &'static str {
        match self {
            Self::Detection => "detection",
            Self::Delivery => "delivery",
            Self::Clock => "clock",
        }
    }
}

/// Says that a part runs; written at most every few seconds.
///
/// # Errors
/// When the database refuses.
pub(crate) async fn alive(connection: &mut PgConnection, part: Part) -> sqlx::Result<()> {
    sqlx::query!(
        "insert into part_life (part, at) values ($1, clock_timestamp())
            on conflict (part) do update set at = excluded.at where part_life.at < excluded.at - interval '4 seconds'",
        part.name()
    )
    .execute(connection)
    .await
    .map(drop)
}

/// Watches until told to stop, on one server at a time.
pub(crate) async fn run(pool: PgPool, heartbeat: Option<Heartbeat>, stop: CancellationToken) {
    let mut failing = false;
    while !stop.is_cancelled() {
        let led = lead(&pool, heartbeat.as_ref(), &stop).await;
        if let Err(error) = &led
            && !failing
        {
            tracing::warn!(error = format!("{error:#}"), "the watchdog cannot look; trying again");
        }
        failing = led.is_err();
        tokio::select! {
            () = tokio::time::sleep(EVERY) => {}
            () = stop.cancelled() => {}
        }
    }
}

async fn lead(pool: &PgPool, heartbeat: Option<&Heartbeat>, stop: &CancellationToken) -> Result<()> {
    let Some(mut connection) = locks::lead(pool, locks::WATCHDOG).await? else { return Ok(()) };
    let mut beat = heartbeat::Beat::default();
    while !stop.is_cancelled() {
        // The database's clock, which also stamps the signs of life.
        let now =
            sqlx::query_scalar!(r#"select clock_timestamp() as "now!""#).fetch_one(&mut connection).await?;
        parts::look(&mut connection, now).await.context("looking at the parts")?;
        if let Some(heartbeat) = heartbeat {
            beat.beat(heartbeat, &mut connection, now).await.context("asking whether all is well")?;
        }
        tokio::select! {
            () = tokio::time::sleep(EVERY) => {}
            () = stop.cancelled() => {}
        }
    }
    connection.close().await.context("closing the connection")
}
