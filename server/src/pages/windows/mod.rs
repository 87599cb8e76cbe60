//! Maintenance windows: planned, ended, and what was raised inside.

mod form;
mod store;
#[cfg(test)]
mod tests;

use axum::{
    Form, Router,
    extract::{Path, Query, State},
    http::StatusCode,
    response::{IntoResponse, Redirect, Response},
    routing::{get, post},
};
use chrono::{TimeDelta, Utc};
use serde::Deserialize;
use sqlx::PgConnection;
use web::{
    frame::Section,
    windows::{Field, Typed, WindowPage, WindowsPage},
};

use super::{alarms, html, notice::Done};
use crate::{
    app::App,
    error::WebError,
    people::{Role, SignedIn},
};

pub(super) use store::soon;

/// Alarms shown of a window.
const SHOWN: i64 = 200;

pub(super) fn routes() -> Router<App> {
    Router::new()
        .route("/windows", get(show_all).post(plan))
        .route("/windows/{id}", get(show_one))
        .route("/windows/{id}/end", post(end))
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Asked {
    scope: String,
}

async fn show_all(
    signed_in: SignedIn,
    State(app): State<App>,
    Query(asked): Query<Asked>,
    Query(done): Query<Done>,
) -> Result<Response, WebError> {
    let mut db = app.pool.acquire().await?;
    let mut typed = Typed { scope: asked.scope, ..Typed::default() };
    // On the clock of the place, from now on for a morning's or an afternoon's work.
    if let Some(place) = form::place(&mut db, &typed.scope).await? {
        let now = Utc::now().with_timezone(&place.zone);
        typed.from = now.format(form::LOCAL).to_string();
        typed.to = (now + TimeDelta::hours(4)).format(form::LOCAL).to_string();
    }
    let mut page = all(&mut db, &signed_in, typed, None).await?;
    page.frame.notice = done.notice();
    Ok(html(&page)?.into_response())
}

async fn all(
    db: &mut PgConnection,
    signed_in: &SignedIn,
    typed: Typed,
    fault: Option<(Field, String)>,
) -> Result<WindowsPage, WebError> {
    Ok(WindowsPage {
        frame: signed_in.frame("Maintenance windows", Section::Windows),
        windows: store::all(db).await?,
        places: form::places(db).await?,
        typed,
        fault,
        now: Utc::now(),
    })
}

async fn plan(
    signed_in: SignedIn,
    State(app): State<App>,
    Form(sent): Form<form::Sent>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Engineer)?;
    let mut db = app.pool.acquire().await?;
    match form::understood(&mut db, &sent, Utc::now()).await? {
        Ok(wanted) => {
            store::plan(&mut db, &wanted, &signed_in.name).await?;
            Ok(Redirect::to("/windows?done=planned").into_response())
        }
        Err(fault) => {
            let page = all(&mut db, &signed_in, sent.again(), Some(fault)).await?;
            Ok((StatusCode::BAD_REQUEST, html(&page)?).into_response())
        }
    }
}

fn number(text: &str) -> Result<i32, WebError> {
    text.parse().map_err(|_| WebError::NotFound(format!("maintenance window {text}")))
}

async fn show_one(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
    Query(done): Query<Done>,
) -> Result<Response, WebError> {
    let id = number(&id)?;
    let mut db = app.pool.acquire().await?;
    let nothing = || WebError::NotFound(format!("maintenance window {id}"));
    let window = store::one(&mut db, id).await?.ok_or_else(nothing)?;
    let mut ids = store::raised_inside(&mut db, id, SHOWN + 1).await?;
    let more = i64::try_from(ids.len()).is_ok_and(|n| n > SHOWN);
    ids.truncate(usize::try_from(SHOWN).unwrap_or(usize::MAX));
    let mut frame = signed_in.frame(format!("Maintenance of {}", window.place), Section::Windows);
    frame.notice = done.notice();
    let raised = alarms::rows(&mut db, &ids).await?;
    Ok(html(&WindowPage { frame, window, raised, more, now: Utc::now() })?.into_response())
}

async fn end(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Engineer)?;
    let id = number(&id)?;
    let mut db = app.pool.acquire().await?;
    let done = match store::end(&mut db, id, &signed_in.name).await? {
        Some(true) => "ended",
        Some(false) => "unchanged",
        None => return Err(WebError::NotFound(format!("maintenance window {id}"))),
    };
    Ok(Redirect::to(&format!("/windows?done={done}")).into_response())
}
