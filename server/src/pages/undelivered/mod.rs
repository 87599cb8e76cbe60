//! Messages that were given up: to be tried again, or put aside.

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
use regulator::conditions::{Condition, Priority};
use serde::Deserialize;
use sqlx::PgConnection;
use web::{
    frame::Section,
    undelivered::{Message, UndeliveredPage},
};

use super::{html, notice::Done, rotas::zones};
use crate::{
    app::App,
    error::WebError,
    notification::{Way, dead},
    people::{Role, SignedIn},
};

/// Longest reason, characters.
const LONGEST_WHY: usize = 200;

pub(super) fn routes() -> Router<App> {
    Router::new()
        .route("/undelivered", get(show))
        .route("/undelivered/{id}/retry", post(retry))
        .route("/undelivered/{id}/dismiss", post(dismiss))
}

async fn show(
    signed_in: SignedIn,
    State(app): State<App>,
    Query(done): Query<Done>,
) -> Result<Response, WebError> {
    let mut page = page(&mut *app.pool.acquire().await?, &signed_in).await?;
    page.frame.notice = done.notice();
    Ok(html(&page)?.into_response())
}

async fn page(db: &mut PgConnection, signed_in: &SignedIn) -> Result<UndeliveredPage, WebError> {
    let mut given = store::list(db).await?;
    let most = usize::try_from(store::MOST).unwrap_or(usize::MAX);
    let more = given.len() > most;
    given.truncate(most);
    let zone = zones(db).await?.first().and_then(|zone| zone.parse().ok()).unwrap_or(chrono_tz::Tz::UTC);
    Ok(UndeliveredPage {
        frame: signed_in.frame("Undelivered messages", Section::Undelivered),
        messages: given.into_iter().map(|one| message(signed_in, one)).collect(),
        more,
        zone,
        refusal: None,
    })
}

fn message(signed_in: &SignedIn, given: store::Given) -> Message {
    let recipient_href = match given.person_id {
        Some(person) => (signed_in.role >= Role::Administer).then(|| format!("/reach/{person}")),
        None => (signed_in.role >= Role::Engineer).then(|| format!("/recipients/{}", given.recipient_id)),
    };
    Message {
        id: given.id,
        alarm_id: given.alarm_id,
        title: given.condition.map_or_else(
            || "A summary of several alarms".to_owned(),
            |name| Condition::from_name(&name).map_or(name, |c| c.title().to_owned()),
        ),
        priority: given.priority.and_then(Priority::from_level).map(Priority::title),
        summary: given.summary.unwrap_or_default(),
        returned: given.returned,
        about: given.kind.unwrap_or_default(),
        recipient: given.recipient,
        recipient_href,
        way: Way::from_name(&given.way).map_or(given.way, |way| way.title().to_owned()),
        reason: given.last_error.unwrap_or_else(|| "not recorded".to_owned()),
        attempts: given.attempts,
        created_at: given.created_at,
        last_at: given.last_at,
    }
}

/// The number in an address, or none that there is.
fn number(id: &str) -> Result<i64, WebError> {
    id.parse().map_err(|_| WebError::NotFound(format!("undelivered message {id}")))
}

/// Somebody else was quicker, or there is no such message.
fn gone() -> WebError {
    WebError::Conflict(
        "This message is no longer among those given up; somebody may have dealt with it already.".to_owned(),
    )
}

async fn retry(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Operate)?;
    let mut db = app.pool.acquire().await?;
    let id = number(&id)?;
    if !dead::retry(&mut db, id, &signed_in.name).await? {
        return Err(gone());
    }
    tracing::info!(message = id, by = signed_in.name, "a message given up is tried again");
    app.on_call.look_again(&mut db).await;
    Ok(Redirect::to("/undelivered?done=retried").into_response())
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Typed {
    why: String,
}

async fn dismiss(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
    Form(typed): Form<Typed>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Operate)?;
    let mut db = app.pool.acquire().await?;
    let id = number(&id)?;
    let why = typed.why.trim();
    if why.is_empty() || why.chars().count() > LONGEST_WHY {
        let mut page = page(&mut db, &signed_in).await?;
        let fault = format!("Say why it needs no sending, in at most {LONGEST_WHY} characters.");
        page.refusal = Some((id, typed.why, fault));
        return Ok((StatusCode::BAD_REQUEST, html(&page)?).into_response());
    }
    if !store::dismiss(&mut db, id, &signed_in.name, why).await? {
        return Err(gone());
    }
    app.on_call.look_again(&mut db).await;
    Ok(Redirect::to("/undelivered?done=dismissed").into_response())
}
