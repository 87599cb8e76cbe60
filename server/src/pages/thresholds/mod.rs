//! Thresholds: what conditions are judged by, and changing it.

mod change;
mod place;
mod store;
#[cfg(test)]
mod tests;

use axum::{
    Router,
    extract::{Path, Query, State},
    http::StatusCode,
    response::{IntoResponse, Response},
    routing::get,
};
use regulator::conditions::{Condition, Parameter};
use serde::Deserialize;
use sqlx::PgConnection;
use web::{
    frame::Section,
    thresholds::{Group, Refusal, Row, ThresholdPage, ThresholdsPage},
};

use crate::{
    app::App,
    error::WebError,
    pages::{html, notice::Done},
    people::SignedIn,
};

pub(super) use change::read;

pub(super) fn routes() -> Router<App> {
    Router::new()
        .route("/thresholds", get(show_all))
        .route("/thresholds/{condition}/{parameter}", get(show_one).post(change::change))
}

async fn show_all(signed_in: SignedIn, State(app): State<App>) -> Result<Response, WebError> {
    let mut db = app.pool.acquire().await?;
    let set = store::all(&mut db).await?;
    let groups = Condition::all()
        .map(|condition| {
            let rows =
                condition.parameters().iter().map(|parameter| row(condition, parameter, &set)).collect();
            Group { condition, rows }
        })
        .collect();
    let changes = store::changes(&mut db, None).await?;
    let frame = signed_in.frame("Thresholds", Section::Thresholds);
    Ok(html(&ThresholdsPage { frame, groups, changes })?.into_response())
}

/// The parameters of one condition, with what is set of them.
pub(super) async fn rows(db: &mut PgConnection, condition: Condition) -> sqlx::Result<Vec<Row>> {
    let set = store::all(db).await?;
    Ok(condition.parameters().iter().map(|parameter| row(condition, parameter, &set)).collect())
}

fn row(condition: Condition, parameter: &'static Parameter, set: &[store::Set]) -> Row {
    let of_it = |s: &&store::Set| s.condition == condition.name() && s.parameter == parameter.name;
    let overrides = set.iter().filter(of_it).map(store::Set::shown).collect();
    Row { condition, parameter, overrides }
}

/// Which parameter an address names.
fn named(condition: &str, parameter: &str) -> Result<(Condition, &'static Parameter), WebError> {
    Condition::from_name(condition)
        .and_then(|c| Some((c, c.parameter(parameter)?)))
        .ok_or_else(|| WebError::NotFound(format!("threshold {condition}/{parameter}")))
}

/// What another page puts into the form, for a person to send or not.
#[derive(Debug, Default, Deserialize)]
struct Suggested {
    #[serde(default)]
    value: String,
    scope: Option<String>,
}

async fn show_one(
    signed_in: SignedIn,
    State(app): State<App>,
    Path((condition, parameter)): Path<(String, String)>,
    Query(done): Query<Done>,
    Query(suggested): Query<Suggested>,
) -> Result<Response, WebError> {
    let which = named(&condition, &parameter)?;
    let mut page = page(&mut *app.pool.acquire().await?, &signed_in, which).await?;
    page.frame.notice = done.notice();
    page.typed = suggested.value;
    page.chosen = suggested.scope.unwrap_or(page.chosen);
    Ok(html(&page)?.into_response())
}

async fn page(
    db: &mut PgConnection,
    signed_in: &SignedIn,
    (condition, parameter): (Condition, &'static Parameter),
) -> Result<ThresholdPage, WebError> {
    let title = format!("{}: {}", condition.title(), parameter.title);
    Ok(ThresholdPage {
        frame: signed_in.frame(title, Section::Thresholds),
        row: row(condition, parameter, &store::all(db).await?),
        places: place::choices(db, condition.scope()).await?,
        chosen: "fleet".to_owned(),
        typed: String::new(),
        refusal: None,
        changes: store::changes(db, Some((condition, parameter))).await?,
    })
}

/// The page again, with what was typed and why it was refused.
async fn refused(
    db: &mut PgConnection,
    signed_in: &SignedIn,
    which: (Condition, &'static Parameter),
    typed: change::Typed,
    refusal: Refusal,
) -> Result<Response, WebError> {
    let page = ThresholdPage {
        chosen: typed.scope,
        typed: typed.value,
        refusal: Some(refusal),
        ..page(db, signed_in, which).await?
    };
    Ok((StatusCode::BAD_REQUEST, html(&page)?).into_response())
}
