//! Bounds the time to the head of an answer, and keeps one page's panic from being a silent, closed connection.

use std::{panic::AssertUnwindSafe, time::Duration};

use axum::{extract::Request, middleware::Next, response::Response};
use futures_util::FutureExt;

use crate::error::WebError;

/// Longer than any page takes; a stream has begun by then and is not bounded.
const DEADLINE: Duration = Duration::from_secs(30);

/// Answers 503 after the deadline, and 500 after a panic.
pub(super) async fn deadline(request: Request, next: Next) -> Result<Response, WebError> {
    let answer = AssertUnwindSafe(next.run(request)).catch_unwind();
    match tokio::time::timeout(DEADLINE, answer).await {
        Ok(Ok(response)) => Ok(response),
        // The panic hook has logged the message and the place.
        Ok(Err(_panic)) => Err(WebError::Internal(anyhow::anyhow!("a page panicked"))),
        Err(_elapsed) => {
            tracing::warn!(deadline_s = DEADLINE.as_secs(), "a page was not ready in time");
            Err(WebError::Unavailable)
        }
    }
}
