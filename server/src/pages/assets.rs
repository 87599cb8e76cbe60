//! Styles, scripts and images: embedded, compressed on the way, kept by browsers for ever.

use axum::{
    Router,
    extract::Path,
    http::{HeaderMap, HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
    routing::get,
};
use tower_http::compression::CompressionLayer;
use web::assets::{Asset, by_path};

use crate::app::App;

/// The address of an asset changes with its content, so what was fetched once never needs to be asked for again.
const FOR_EVER: HeaderValue = HeaderValue::from_static("public, max-age=31536000, immutable");

pub(super) fn routes() -> Router<App> {
    Router::new().route("/assets/{path}", get(asset)).layer(CompressionLayer::new())
}

async fn asset(Path(path): Path<String>, headers: HeaderMap) -> Response {
    let Some(asset) = by_path(&path) else { return StatusCode::NOT_FOUND.into_response() };
    let tag = format!("\"{}\"", asset.hash);
    let known = headers.get(header::IF_NONE_MATCH).and_then(|v| v.to_str().ok());
    // A proxy that compressed the body may have marked the tag as weak.
    let unchanged =
        known.is_some_and(|tags| tags.split(',').any(|t| t.trim().trim_start_matches("W/") == tag));
    let head = [(header::CACHE_CONTROL, FOR_EVER), (header::ETAG, value(tag))];
    if unchanged {
        (StatusCode::NOT_MODIFIED, head).into_response()
    } else {
        (head, body(asset)).into_response()
    }
}

fn body(asset: &'static Asset) -> impl IntoResponse {
    ([(header::CONTENT_TYPE, HeaderValue::from_static(asset.kind))], asset.body)
}

fn value(tag: String) -> HeaderValue {
    HeaderValue::try_from(tag).expect("hexadecimal digits in quotes are a header value")
}

#[cfg(test)]
mod tests {
    use super::*;

    async fn fetch(path: &str, tag: Option<&str>) -> Response {
        let mut headers = HeaderMap::new();
        if let Some(tag) = tag {
            headers.insert(header::IF_NONE_MATCH, HeaderValue::from_str(tag).unwrap());
        }
        asset(Path(path.to_owned()), headers).await
    }

    #[tokio::test]
    async fn a_browser_that_has_it_is_told_so() {
        let url = web::assets::url("app.css");
        let path = url.strip_prefix("/assets/").unwrap();
        let first = fetch(path, None).await;
        assert_eq!(first.status(), StatusCode::OK, "run `make assets` first");
        assert_eq!(first.headers()[header::CONTENT_TYPE], "text/css; charset=utf-8");
        let tag = first.headers()[header::ETAG].to_str().unwrap().to_owned();
        assert_eq!(fetch(path, Some(&tag)).await.status(), StatusCode::NOT_MODIFIED);
        assert_eq!(fetch(path, Some(&format!("W/{tag}"))).await.status(), StatusCode::NOT_MODIFIED);
        assert_eq!(fetch(path, Some("\"another\"")).await.status(), StatusCode::OK);
    }

    #[tokio::test]
    async fn an_unknown_name_is_not_found() {
        assert_eq!(fetch("app-0000000000000000.css", None).await.status(), StatusCode::NOT_FOUND);
    }
}
