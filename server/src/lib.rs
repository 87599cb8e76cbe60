//! The web application, detection, alarms and notification.
//!
//! [`run`] is the whole server role: it follows the feed that pollers write, keeps the picture for the board, runs the
//! conditions, delivers notifications and answers browsers, until told to stop.

pub mod alarms;
mod analysis;
mod app;
pub mod backtest;
#[doc(hidden)]
pub mod bench;
mod config;
pub mod detection;
#[doc(hidden)]
pub mod drill;
mod error;
pub mod feed;
pub mod inventory;
mod locks;
mod metrics;
mod middleware;
pub mod notification;
pub mod on_call;
mod pages;
pub mod people;
pub mod picture;
#[cfg(test)]
pub(crate) mod testing;
pub mod watchdog;

use std::{net::SocketAddr, sync::Arc, time::Duration};

use anyhow::{Context, Result};
use axum::Router;
use sqlx::postgres::PgPoolOptions;
use tokio_util::sync::CancellationToken;

pub use app::App;
pub use config::Config;
pub use error::WebError;

/// Runs the server until `stop` is cancelled, then ends every task and returns.
///
/// # Errors
/// When the database cannot be reached at the start, or the address cannot be listened on.
pub async fn run(config: Config, stop: CancellationToken) -> Result<()> {
    people::cookie::check(&config.public_url).map_err(anyhow::Error::msg)?;
    let pool = PgPoolOptions::new()
        .max_connections(16)
        // A page that must wait longer says that the database is away.
        .acquire_timeout(Duration::from_secs(5))
        .connect(&config.database_url)
        .await
        .context("reaching the database")?;
    let notifier = notification::Notifier::new(config.notification.clone(), &config.public_url)
        .context("the settings of notification")?;
    let notifying = tokio::spawn(notifier.run(pool.clone(), stop.clone()));
    let listener = tokio::net::TcpListener::bind(config.listen)
        .await
        .with_context(|| format!("listening on {}", config.listen))?;
    let app = App { stop: stop.clone(), ..App::new(pool.clone(), config) };
    let picturing = tokio::spawn(app.picture.clone().follow(pool.clone(), stop.clone()));
    let calling = tokio::spawn(app.on_call.clone().run(pool.clone(), stop.clone()));
    let analysing = tokio::spawn(analysis::run(pool.clone(), stop.clone()));
    let watching = tokio::spawn(watchdog::run(pool.clone(), app.config.heartbeat.clone(), stop.clone()));
    let clock = tokio::spawn(alarms::clock::run(pool.clone(), stop.clone()));
    let detecting = tokio::spawn(detection::run(pool, Arc::clone(&app.detection), stop.clone()));
    axum::serve(listener, router(&app).into_make_service_with_connect_info::<SocketAddr>())
        .with_graceful_shutdown(stop.clone().cancelled_owned())
        .await
        .context("serving pages")?;
    stop.cancel();
    picturing.await.context("keeping the picture")?;
    detecting.await.context("running detection")?;
    watching.await.context("watching the parts")?;
    clock.await.context("keeping the alarms' clock")?;
    analysing.await.context("analysing readings")?;
    calling.await.context("following the rotas")?;
    notifying.await.context("delivering notifications")
}

/// Every page, with everything that a request passes through.
pub fn router(app: &App) -> Router {
    middleware::around(pages::routes(), app)
}
