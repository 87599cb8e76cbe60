//! Refuses changes that do not come from one of our own pages: by what the browser says of the sender, and by a token in
//! each form that another site cannot know.

use axum::{
    body::{Body, Bytes, to_bytes},
    extract::{Request, State},
    http::{HeaderMap, Uri, header, request::Parts},
    middleware::Next,
    response::Response,
};
use subtle::ConstantTimeEq;

use crate::{app::App, error::WebError, people::Identity};

/// Name of the form field that carries the session's token.
const CSRF_FIELD: &str = "csrf";
/// Name of the header that carries it where a script sends.
const CSRF_HEADER: &str = "x-csrf-token";
/// Largest form.
const LARGEST: usize = 256 * 1024;

/// Checks unsafe requests; safe ones change nothing and pass.
pub(super) async fn forgery(
    State(app): State<App>,
    request: Request,
    next: Next,
) -> Result<Response, WebError> {
    if request.method().is_safe() {
        return Ok(next.run(request).await);
    }
    let (parts, body) = request.into_parts();
    from_our_own_page(&parts.headers, &app.config.public_url)?;
    let body = to_bytes(body, LARGEST).await.map_err(|_| {
        WebError::BadRequest("The form is larger than 256 KiB; send less at once.".to_owned())
    })?;
    if let Some(Identity::Known(signed_in)) = parts.extensions.get::<Identity>()
        && !["/sign-in", "/answer/"].iter().any(|own| parts.uri.path().starts_with(own))
    {
        // These pages act on what is typed or linked, not on the session that the browser holds.
        let sent = token(&parts, &body).ok_or(WebError::Forged("no token"))?;
        if !bool::from(sent.as_bytes().ct_eq(signed_in.csrf.as_bytes())) {
            return Err(WebError::Forged("wrong token"));
        }
    }
    Ok(next.run(Request::from_parts(parts, Body::from(body))).await)
}

fn token(parts: &Parts, body: &Bytes) -> Option<String> {
    if let Some(header) = parts.headers.get(CSRF_HEADER) {
        return header.to_str().ok().map(str::to_owned);
    }
    let fields: Vec<(String, String)> = serde_urlencoded::from_bytes(body).ok()?;
    fields.into_iter().find(|(name, _)| name == CSRF_FIELD).map(|(_, value)| value)
}

/// Browsers name the relation of the sending page to us, or at least its origin; what sends neither is not a browser and
/// carries no cookie that it was not given on purpose.
fn from_our_own_page(headers: &HeaderMap, public_url: &str) -> Result<(), WebError> {
    let text = |name: &str| headers.get(name).map(|v| v.to_str().unwrap_or("unreadable"));
    match (text("sec-fetch-site"), text("origin")) {
        (Some("same-origin" | "none"), _) | (None, None) => Ok(()),
        (Some(_), _) => Err(WebError::Forged("sent from another site")),
        (None, Some(origin)) if origin == public_url || is_host(origin, headers) => Ok(()),
        (None, Some(_)) => Err(WebError::Forged("sent from another origin")),
    }
}

fn is_host(origin: &str, headers: &HeaderMap) -> bool {
    let authority = origin.parse::<Uri>().ok().and_then(|uri| uri.authority().cloned());
    let host = headers.get(header::HOST).and_then(|v| v.to_str().ok());
    authority.is_some_and(|authority| Some(authority.as_str()) == host)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn verdict(pairs: &[(&'static str, &'static str)]) -> bool {
        let headers = pairs
            .iter()
            .map(|(name, value)| (name.parse::<header::HeaderName>().unwrap(), value.parse().unwrap()))
            .collect();
        from_our_own_page(&headers, "https://taps.example.org").is_ok()
    }

    #[test]
    fn our_own_pages_pass() {
        assert!(verdict(&[("sec-fetch-site", "same-origin"), ("origin", "https://taps.example.org")]));
        assert!(verdict(&[("origin", "https://taps.example.org"), ("host", "inner:8080")]), "behind a proxy");
        assert!(verdict(&[("origin", "http://127.0.0.1:8080"), ("host", "127.0.0.1:8080")]));
        assert!(verdict(&[]), "not a browser");
    }

    #[test]
    fn other_sites_do_not() {
        assert!(!verdict(&[("sec-fetch-site", "cross-site"), ("origin", "https://taps.example.org")]));
        assert!(!verdict(&[("sec-fetch-site", "same-site")]));
        assert!(!verdict(&[("origin", "https://evil.example"), ("host", "taps.example.org")]));
        assert!(!verdict(&[("origin", "null"), ("host", "taps.example.org")]));
        assert!(!verdict(&[
            ("origin", "https://taps.example.org.evil.example"),
            ("host", "taps.example.org")
        ]));
    }
}
