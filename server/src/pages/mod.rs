//! The pages: one file a feature, each with its routes, handlers and queries.

mod alarm_places;
mod alarm_quality;
mod alarms;
mod answer;
mod assets;
mod backtest;
pub(crate) mod board;
#[cfg(test)]
mod board_tests;
mod calculators;
mod calendar;
mod causes;
mod conditions;
mod csv;
mod feeder;
mod handover;
mod health_check;
mod life;
mod live;
mod maintenance;
mod metrics;
mod neutral;
mod notes;
mod notice;
mod people;
mod polling;
mod reach;
mod recipients;
#[cfg(test)]
mod roles_tests;
mod rotas;
mod sign_in;
#[cfg(test)]
mod sign_in_tests;
mod site;
mod study;
mod thresholds;
pub(crate) mod trend;
mod undelivered;
mod windows;

pub(crate) use alarms::{measure_list, open_groups};
use askama::Template;
use axum::{Router, response::Html};
pub(crate) use study::Desk as StudyDesk;

use crate::{app::App, error::WebError};

/// Every page.
pub(crate) fn routes() -> Router<App> {
    Router::new()
        .merge(alarms::routes())
        .merge(answer::routes())
        .merge(alarm_quality::routes())
        .merge(conditions::routes())
        .merge(handover::routes())
        .merge(notes::routes())
        .merge(windows::routes())
        .merge(assets::routes())
        .merge(backtest::routes())
        .merge(board::routes())
        .merge(causes::routes())
        .merge(live::routes())
        .merge(maintenance::routes())
        .merge(site::routes())
        .merge(study::routes())
        .merge(calculators::routes())
        .merge(trend::routes())
        .merge(feeder::routes())
        .merge(health_check::routes())
        .merge(metrics::routes())
        .merge(neutral::routes())
        .merge(people::routes())
        .merge(polling::routes())
        .merge(recipients::routes())
        .merge(rotas::routes())
        .merge(reach::routes())
        .merge(calendar::routes())
        .merge(undelivered::routes())
        .merge(sign_in::routes())
        .merge(thresholds::routes())
        .fallback(not_here)
}

/// Draws a page.
pub(crate) fn html(page: &impl Template) -> Result<Html<String>, WebError> {
    Ok(Html(page.render()?))
}

async fn not_here() -> WebError {
    WebError::NotFound("page at this address".to_owned())
}
