//! The pages: one file a feature, each with its routes, handlers and queries.

mod alarms;
mod assets;
pub(crate) mod board;
mod live;
mod notice;
mod sign_in;
#[cfg(test)]
mod sign_in_tests;
mod site;
pub(crate) mod trend;

use askama::Template;
use axum::{Router, response::Html};

use crate::{app::App, error::WebError};

/// Every page.
pub(crate) fn routes() -> Router<App> {
    Router::new()
        .merge(alarms::routes())
        .merge(assets::routes())
        .merge(board::routes())
        .merge(live::routes())
        .merge(site::routes())
        .merge(trend::routes())
        .merge(sign_in::routes())
        .fallback(not_here)
}

/// Draws a page.
pub(crate) fn html(page: &impl Template) -> Result<Html<String>, WebError> {
    Ok(Html(page.render()?))
}

async fn not_here() -> WebError {
    WebError::NotFound("page at this address".to_owned())
}
