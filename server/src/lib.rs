//! The web application, detection, alarms and notification.
//!
//! [`run`] is the whole server role: it follows the feed that pollers write, keeps the picture for the board, runs the
//! conditions, delivers notifications and answers browsers, until told to stop.

mod app;
mod config;
pub mod detection;
pub mod feed;
pub mod notification;
mod pages;
pub mod people;
pub mod picture;

use std::sync::Arc;

use anyhow::{Context, Result};
use sqlx::postgres::PgPoolOptions;
use tokio_util::sync::CancellationToken;

pub use app::App;
pub use config::Config;

/// Runs the server until `stop` is cancelled, then ends every task and returns.
///
/// # Errors
/// When the database cannot be reached at the start, or the address cannot be listened on.
pub async fn run(config: Config, stop: CancellationToken) -> Result<()> {
    let pool = PgPoolOptions::new()
        .max_connections(16)
        .connect(&config.database_url)
        .await
        .context("reaching the database")?;
    let notifier = notification::Notifier::new(config.notification.clone(), &config.public_url)
        .context("the settings of notification")?;
    let notifying = tokio::spawn(notifier.run(pool.clone(), stop.clone()));
    let listener = tokio::net::TcpListener::bind(config.listen)
        .await
        .with_context(|| format!("listening on {}", config.listen))?;
    let app = App { pool, config: Arc::new(config) };
    let router = pages::routes().with_state(app);
    axum::serve(listener, router)
        .with_graceful_shutdown(stop.clone().cancelled_owned())
        .await
        .context("serving pages")?;
    stop.cancel();
    notifying.await.context("delivering notifications")
}
