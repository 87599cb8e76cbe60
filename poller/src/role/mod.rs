//! The whole poller role: what [`crate::run`] starts, watches over and ends.

mod background;
mod config;
mod inventory;
mod polling;

use std::{sync::Arc, time::Duration};

use anyhow::{Context, Result};
use chrono::{TimeDelta, Utc};
use sqlx::PgConnection;
use tokio::{net::TcpListener, time::sleep};
use tokio_util::sync::CancellationToken;

pub use config::{Config, TlsFiles};

use crate::{
    endpoint::{self, Clock},
    metrics::{self, Shared},
    store::{self, Target, deliver},
};
use inventory::Inventory;
use polling::Polling;

/// Reports that may wait for the store: several times what thousands of regulators report between two gatherings.
const REPORTS: usize = 262_144;
/// How often the inventory's version is looked at.
const LOOK: Duration = Duration::from_secs(2);

/// Polls every endpoint of the inventory and stores what comes back, until `stop` is cancelled; then ends the polls, writes what
/// it holds and returns. Waits for the database at the start; when it goes away later, polling goes on.
///
/// # Errors
/// When the address for metrics cannot be listened on, or a file for TLS cannot be used.
pub async fn run(config: Config, stop: CancellationToken) -> Result<()> {
    let started_at = Utc::now();
    let tls = config.tls.as_ref().map(TlsFiles::load).transpose()?;
    let counters = Shared::new(started_at);
    // what serves the store outlives the polls, so that the last readings are written
    let store_stop = CancellationToken::new();
    let scrapes = match config.metrics_listen {
        Some(address) => {
            let listener = TcpListener::bind(address)
                .await
                .with_context(|| format!("listening on {address} for metrics"))?;
            tracing::info!("metrics at http://{}/metrics", listener.local_addr()?);
            Some(tokio::spawn(metrics::serve(listener, counters.clone(), store_stop.clone())))
        }
        None => None,
    };
    let first = stop.run_until_cancelled(first_inventory(&config.database_url)).await;
    if let Some((connection, inventory)) = first {
        let retention = TimeDelta::days(i64::from(config.retention_days));
        let target = Target {
            database_url: config.database_url.clone(),
            poller: config.name.clone(),
            session_started_at: started_at,
            retention,
        };
        let clock = Arc::new(Clock::system());
        let (sender, reports) = endpoint::channel(REPORTS);
        let storing = tokio::spawn(store::run(
            target.clone(),
            config.hold_limit,
            reports,
            Arc::clone(&clock),
            counters.clone(),
        ));
        let background = background::start(&target, &counters, &store_stop);
        let mut polling = Polling::new(sender, clock, counters, stop.clone(), tls);
        polling.follow(&inventory).await;
        tracing::info!(endpoints = inventory.endpoints.len(), regulators = inventory.regulators, "polling");
        watch(&config.database_url, connection, inventory.version, &mut polling, &stop).await;
        polling.end().await;
        // its channel is closed now: it writes what it holds, and ends
        storing.await.context("the store")?;
        store_stop.cancel();
        background.join_all().await;
    }
    store_stop.cancel();
    if let Some(scrapes) = scrapes {
        scrapes.await.context("the metrics")??;
    }
    Ok(())
}

/// The inventory, however long the database takes to be there and to have its schema.
async fn first_inventory(database_url: &str) -> (PgConnection, Inventory) {
    let mut backoff = deliver::Backoff::new();
    let mut told = String::new();
    loop {
        let tried = async {
            let mut connection = deliver::connect(database_url).await?;
            let inventory = inventory::load(&mut connection).await?;
            Ok::<_, sqlx::Error>((connection, inventory))
        };
        match tried.await {
            Ok(both) => return both,
            Err(error) => {
                let text = explain(&error);
                if told != text {
                    tracing::warn!("waiting for the database: {text}");
                    told = text;
                }
                backoff.wait().await;
            }
        }
    }
}

fn explain(error: &sqlx::Error) -> String {
    let code = error.as_database_error().and_then(sqlx::error::DatabaseError::code);
    match code.as_deref() {
        Some("42P01") => format!("its schema is not there yet; bring it up to date ({error})"),
        Some("42501") => {
            format!("this user may not read the inventory; grant it the poller's role ({error})")
        }
        _ => error.to_string(),
    }
}

/// Follows changes of the inventory until stopped.
async fn watch(
    database_url: &str,
    connection: PgConnection,
    version: i64,
    polling: &mut Polling,
    stop: &CancellationToken,
) {
    let (mut connection, mut version) = (Some(connection), version);
    while stop.run_until_cancelled(sleep(LOOK)).await.is_some() {
        polling.count_given_up();
        match stop.run_until_cancelled(look(database_url, &mut connection, version)).await {
            Some(Ok(Some(inventory))) => {
                version = inventory.version;
                tracing::info!(
                    endpoints = inventory.endpoints.len(),
                    regulators = inventory.regulators,
                    "the inventory changed"
                );
                polling.follow(&inventory).await;
            }
            Some(Ok(None)) => {}
            // the store tells that the database is away; here it only means that nothing changes
            Some(Err(error)) => {
                tracing::debug!("looking at the inventory: {error}");
                connection = None;
            }
            None => break,
        }
    }
}

/// The inventory, if it is another than this version.
async fn look(
    database_url: &str,
    connection: &mut Option<PgConnection>,
    version: i64,
) -> sqlx::Result<Option<Inventory>> {
    let connection = match connection {
        Some(connection) => connection,
        none => none.insert(deliver::connect(database_url).await?),
    };
    if inventory::version(connection).await? == version {
        return Ok(None);
    }
    inventory::load(connection).await.map(Some)
}
