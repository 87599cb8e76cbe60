//! The pages: one file a feature, each with its routes, handlers and queries.

use axum::Router;

use crate::app::App;

mod assets;

/// Every page.
pub(crate) fn routes() -> Router<App> {
    Router::new().merge(assets::routes())
}
