//! What every request passes through, outermost first: [`request`] numbers and logs it, [`headers`] adds the security
//! headers, [`identify`] finds out who asks, [`errors`] draws the page around an error, [`deadline`] bounds time and
//! catches panics, [`forgery`] refuses changes that do not come from one of our own pages.

mod deadline;
mod errors;
mod forgery;
mod headers;
mod identify;
mod request;
#[cfg(test)]
mod tests;

use axum::{
    Router,
    middleware::{from_fn, from_fn_with_state},
};

use crate::app::App;

/// Puts the middleware around routes. The layer added last is passed first.
pub(crate) fn around(routes: Router<App>, app: &App) -> Router {
    routes
        .layer(from_fn_with_state(app.clone(), forgery::forgery))
        .layer(from_fn(deadline::deadline))
        .layer(from_fn(errors::errors))
        .layer(from_fn_with_state(app.clone(), identify::identify))
        .layer(from_fn_with_state(app.clone(), headers::headers))
        .layer(from_fn_with_state(app.clone(), request::request))
        .with_state(app.clone())
}
