//! Somewhere for the demo's messages to go: a webhook receiver on loopback that keeps what it gets in a file.

use std::{
    io::Write,
    net::SocketAddr,
    path::PathBuf,
    sync::{Arc, Mutex},
};

use anyhow::{Context, Result};
use axum::{Router, extract::State, http::StatusCode, routing::post};
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;

/// Starts the receiver; every message becomes a line of `file`. Returns where it listens.
pub(crate) async fn open(file: PathBuf, stop: CancellationToken) -> Result<SocketAddr> {
    let out = std::fs::OpenOptions::new().create(true).append(true).open(&file);
    let out = Arc::new(Mutex::new(out.with_context(|| format!("opening {}", file.display()))?));
    let listener = TcpListener::bind("127.0.0.1:0").await.context("listening for the demo's messages")?;
    let address = listener.local_addr()?;
    let router = Router::new().route("/messages", post(keep)).route("/people", post(keep)).with_state(out);
    tokio::spawn(async move {
        let served = axum::serve(listener, router).with_graceful_shutdown(stop.cancelled_owned()).await;
        if let Err(error) = served {
            tracing::warn!("the demo's message receiver ended: {error}");
        }
    });
    Ok(address)
}

async fn keep(State(out): State<Arc<Mutex<std::fs::File>>>, body: String) -> StatusCode {
    let Ok(mut out) = out.lock() else { return StatusCode::INTERNAL_SERVER_ERROR };
    match writeln!(out, "{}", body.replace('\n', " ")) {
        Ok(()) => StatusCode::NO_CONTENT,
        Err(_) => StatusCode::INSUFFICIENT_STORAGE,
    }
}
