//! Numbers each request, so that a page and the log can be matched, and logs it.

use std::time::Instant;

use axum::{
    extract::{MatchedPath, Request, State},
    http::HeaderValue,
    middleware::Next,
    response::Response,
};
use tracing::Instrument;

use crate::app::App;

/// The number of a request, shown on the page of an error.
#[derive(Debug, Clone)]
pub(crate) struct RequestId(pub(crate) String);

/// Logs method, route, status and time. The route rather than the path: a path may hold the secret of a sign-in link.
pub(super) async fn request(State(app): State<App>, mut request: Request, next: Next) -> Response {
    let id = format!("{:012x}", rand::random::<u64>() >> 16);
    let method = request.method().clone();
    let route = request.extensions().get::<MatchedPath>().map_or("none", MatchedPath::as_str).to_owned();
    request.extensions_mut().insert(RequestId(id.clone()));
    let start = Instant::now();
    let span = tracing::info_span!("request", id, %method, route);
    let mut response = next.run(request).instrument(span.clone()).await;
    let status = response.status().as_u16();
    let duration = start.elapsed();
    let duration_ms = duration.as_secs_f64() * 1000.0;
    app.metrics.answered(status, duration);
    span.in_scope(|| tracing::debug!(status, duration_ms, "answered"));
    if let Ok(value) = HeaderValue::from_str(&id) {
        response.headers_mut().insert("x-request-id", value);
    }
    response
}
