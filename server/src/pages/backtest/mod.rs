//! Backtests: a form by GET, so that each has an address of its own; run while the page waits, one at a time a server, within
//! bounds that the page tells.

mod ask;
mod outcome;
#[cfg(test)]
mod tests;

use std::{collections::HashMap, sync::Arc, time::Duration};

use axum::{
    Router,
    extract::{Query, State},
    http::StatusCode,
    response::{IntoResponse, Response},
    routing::get,
};
use chrono::Utc;
use web::{
    backtest::{BacktestPage, Form},
    frame::Section,
};

use super::html;
use crate::{
    app::App,
    backtest::{self, BacktestError, Bounds, Progress},
    detection::Thresholds,
    error::WebError,
    inventory,
    people::SignedIn,
};

/// Within the deadline of every page, with room to draw it.
const BOUNDS: Bounds = Bounds { most_places: 1000, patience: Some(Duration::from_secs(20)) };

pub(super) fn routes() -> Router<App> {
    Router::new().route("/backtest", get(show))
}

/// What the address carries.
type Fields = HashMap<String, String>;

async fn show(
    signed_in: SignedIn,
    State(app): State<App>,
    Query(fields): Query<Fields>,
) -> Result<Response, WebError> {
    let mut db = app.pool.acquire().await?;
    let inventory = inventory::load(&mut db).await?;
    let thresholds = Thresholds::load(&mut db).await?;
    drop(db);
    let (mut form, ask) = ask::read(&fields, &inventory, &thresholds, Utc::now());
    let mut outcome = None;
    let mut status = if ask::is_faulty(&form) { StatusCode::BAD_REQUEST } else { StatusCode::OK };
    if let Some(ask) = ask {
        match run(&app, &ask, &form).await? {
            Ok(report) => outcome = Some(outcome::of(&report, &ask, &form, &fields)),
            Err(Refused { why, with }) => (form.fault, status) = (Some(why), with),
        }
    }
    let frame = signed_in.frame("Backtest", Section::Backtest);
    Ok((status, html(&BacktestPage { frame, form, outcome })?).into_response())
}

/// Why there is no outcome.
struct Refused {
    why: String,
    with: StatusCode,
}

async fn run(
    app: &App,
    ask: &backtest::Ask,
    form: &Form,
) -> Result<Result<backtest::Report, Refused>, WebError> {
    let progress = Arc::new(Progress::new(outcome::title(ask, form)));
    let _turn = match app.backtest.take(Arc::clone(&progress)) {
        Ok(turn) => turn,
        Err(running) => {
            let why = format!(
                "Another backtest runs now: {}. One runs at a time; send this again in a moment.",
                running.words()
            );
            return Ok(Err(Refused { why, with: StatusCode::CONFLICT }));
        }
    };
    let refused = |error: BacktestError| {
        let why = crate::error::sentence(&error);
        Ok(Err(Refused { why, with: StatusCode::BAD_REQUEST }))
    };
    match backtest::run(&app.pool, ask, BOUNDS, &progress).await {
        Ok(report) => Ok(Ok(report)),
        Err(BacktestError::Database(error)) => Err(error.into()),
        Err(BacktestError::Judging(error)) => Err(WebError::Internal(error.into())),
        Err(error) => refused(error),
    }
}
