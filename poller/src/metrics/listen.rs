//! `/metrics`, for a scraper.

use anyhow::{Context, Result};
use axum::{Router, extract::State, http::header::CONTENT_TYPE, response::IntoResponse, routing::get};
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;

use super::{counters::Shared, openmetrics::render};

const OPENMETRICS: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// Answers scrapes until stopped.
///
/// # Errors
/// When the socket breaks.
pub async fn serve(listener: TcpListener, counters: Shared, stop: CancellationToken) -> Result<()> {
    let router = Router::new().route("/metrics", get(metrics)).with_state(counters);
    axum::serve(listener, router)
        .with_graceful_shutdown(stop.cancelled_owned())
        .await
        .context("answering at /metrics")
}

async fn metrics(State(counters): State<Shared>) -> impl IntoResponse {
    let text = render(&counters.lock());
    ([(CONTENT_TYPE, OPENMETRICS)], text)
}
