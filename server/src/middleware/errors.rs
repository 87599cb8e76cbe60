//! Draws the page around an error, for browsers that ask for a page; scripts keep the plain text.

use askama::Template;
use axum::{
    extract::Request,
    http::{HeaderMap, HeaderValue, StatusCode, header},
    middleware::Next,
    response::Response,
};
use web::{
    error_page::ErrorPage,
    frame::{Frame, Section, Viewer},
};

use super::request::RequestId;
use crate::{error::Told, people::Identity};

/// Replaces the body of an error response by a page.
pub(super) async fn errors(request: Request, next: Next) -> Response {
    if !wants_page(request.headers()) {
        return next.run(request).await;
    }
    let viewer = match request.extensions().get::<Identity>() {
        Some(Identity::Known(signed_in)) => Some(signed_in.viewer()),
        _ => None,
    };
    let id = request.extensions().get::<RequestId>().map(|id| id.0.clone()).unwrap_or_default();
    let response = next.run(request).await;
    match told(&response) {
        Some(told) => with_page(response, told, viewer, id),
        None => response,
    }
}

fn wants_page(headers: &HeaderMap) -> bool {
    headers
        .get(header::ACCEPT)
        .and_then(|v| v.to_str().ok())
        .is_some_and(|accept| accept.contains("text/html"))
}

/// What to say about a response, if it is an error that has no page of its own yet.
fn told(response: &Response) -> Option<Told> {
    let status = response.status();
    if !status.is_client_error() && !status.is_server_error() {
        return None;
    }
    if let Some(told) = response.extensions().get::<Told>() {
        return Some(told.clone());
    }
    let is_page = |v: &HeaderValue| v.as_bytes().starts_with(b"text/html");
    if response.headers().get(header::CONTENT_TYPE).is_some_and(is_page) {
        return None;
    }
    let (title, what) = match status {
        StatusCode::METHOD_NOT_ALLOWED => {
            ("Not that way", "This address does not take what was sent to it; start again from the board.")
        }
        _ if status.is_server_error() => ("Something went wrong here", "Try again in a moment."),
        _ => ("That could not be understood", "Go back, check what you sent, and send it again."),
    };
    Some(Told { title: title.to_owned(), what: what.to_owned() })
}

fn with_page(response: Response, told: Told, viewer: Option<Viewer>, id: String) -> Response {
    let (mut parts, plain) = response.into_parts();
    let frame = Frame { title: told.title, section: Section::None, viewer, notice: None };
    let number = parts.status.is_server_error().then_some(id);
    let page = ErrorPage { frame, what: told.what, number };
    let body = match page.render() {
        Ok(html) => {
            parts.headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("text/html; charset=utf-8"));
            parts.headers.remove(header::CONTENT_LENGTH);
            html.into()
        }
        Err(error) => {
            tracing::error!("the page of an error could not be drawn: {error}");
            plain
        }
    };
    Response::from_parts(parts, body)
}
