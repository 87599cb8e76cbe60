//! The handover of a shift: how things stand, what happened since the last one, and earlier ones as they were.

mod gather;
#[cfg(test)]
mod tests;

use axum::{
    Form, Router,
    extract::{Path, Query, State},
    http::StatusCode,
    response::{IntoResponse, Redirect, Response},
    routing::get,
};
use chrono::{TimeDelta, Utc};
use chrono_tz::Tz;
use regulator::Timestamp;
use serde::Deserialize;
use sqlx::{Connection, PgConnection};
use web::{
    frame::Section,
    handover::{HandoverPage, LONGEST, Recorded, Sheet},
};

use super::{html, notes, notice::Done};
use crate::{
    app::App,
    error::WebError,
    people::{Role, SignedIn},
};

/// Where nobody has handed over yet, a shift's length.
const FIRST: TimeDelta = TimeDelta::hours(12);
/// Earlier ones listed.
const LISTED: i64 = 30;

pub(super) fn routes() -> Router<App> {
    Router::new().route("/handover", get(show).post(hand_over)).route("/handover/{id}", get(show_one))
}

/// The zone that most of the fleet is in.
pub(super) async fn zone(db: &mut PgConnection) -> sqlx::Result<Tz> {
    let name = sqlx::query_scalar!(
        "select time_zone from site group by time_zone order by count(*) desc, time_zone limit 1"
    )
    .fetch_optional(db)
    .await?;
    Ok(name.and_then(|name| name.parse().ok()).unwrap_or(Tz::UTC))
}

async fn show(
    signed_in: SignedIn,
    State(app): State<App>,
    Query(done): Query<Done>,
) -> Result<Response, WebError> {
    let mut page = now(&mut *app.pool.acquire().await?, &signed_in).await?;
    page.frame.notice = done.notice();
    Ok(html(&page)?.into_response())
}

/// Begins of the period, and whether a handover did.
async fn begins(db: &mut PgConnection, to: Timestamp) -> sqlx::Result<(Timestamp, bool)> {
    let last = sqlx::query_scalar!("select at from handover where at < $1 order by at desc limit 1", to)
        .fetch_optional(db)
        .await?;
    Ok((last.unwrap_or(to - FIRST), last.is_some()))
}

async fn now(db: &mut PgConnection, signed_in: &SignedIn) -> Result<HandoverPage, WebError> {
    let to = Utc::now();
    let (from, follows_one) = begins(db, to).await?;
    let zone = zone(db).await?;
    let frame = signed_in.frame("Handover", Section::Handover);
    let on_call =
        frame.viewer.iter().flat_map(|v| &v.on_call).map(|o| format!("{}: {}", o.area, o.line)).collect();
    Ok(HandoverPage {
        frame,
        sheet: gather::sheet(db, from, to, zone).await?,
        from,
        follows_one,
        to,
        on_call,
        recorded: None,
        others: others(db).await?,
        zone,
        typed: String::new(),
        error: None,
    })
}

async fn others(db: &mut PgConnection) -> sqlx::Result<Vec<Recorded>> {
    sqlx::query_as!(Recorded, "select id, at, person, text from handover order by at desc limit $1", LISTED)
        .fetch_all(db)
        .await
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Typed {
    text: String,
}

async fn hand_over(
    signed_in: SignedIn,
    State(app): State<App>,
    Form(typed): Form<Typed>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Operate)?;
    let mut db = app.pool.acquire().await?;
    let text = notes::plain(&typed.text);
    let length = text.chars().count();
    if length > LONGEST {
        let why =
            format!("The text has {length} characters; {LONGEST} is the most. Shorten it and send it again.");
        let page = HandoverPage { typed: typed.text, error: Some(why), ..now(&mut db, &signed_in).await? };
        return Ok((StatusCode::BAD_REQUEST, html(&page)?).into_response());
    }
    let mut tx = db.begin().await?;
    let to = Utc::now();
    let (from, _) = begins(&mut tx, to).await?;
    let zone = zone(&mut tx).await?;
    let sheet = gather::sheet(&mut tx, from, to, zone).await?;
    let sheet = serde_json::to_value(&sheet).map_err(|error| WebError::Internal(error.into()))?;
    let id = sqlx::query_scalar!(
        "insert into handover (at, person, text, from_at, sheet) values ($1, $2, $3, $4, $5) returning id",
        to,
        signed_in.name,
        text,
        from,
        sheet,
    )
    .fetch_one(&mut *tx)
    .await?;
    tx.commit().await?;
    Ok(Redirect::to(&format!("/handover/{id}?done=handed-over")).into_response())
}

async fn show_one(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(text): Path<String>,
    Query(done): Query<Done>,
) -> Result<Response, WebError> {
    let nothing = || WebError::NotFound(format!("handover {text}"));
    let id: i64 = text.parse().map_err(|_| nothing())?;
    let mut db = app.pool.acquire().await?;
    let row = sqlx::query!("select at, person, text, from_at, sheet from handover where id = $1", id)
        .fetch_optional(&mut *db)
        .await?
        .ok_or_else(nothing)?;
    let from = match row.from_at {
        Some(from) => from,
        None => begins(&mut db, row.at).await?.0,
    };
    // One written by a newer program may hold what this one cannot read; its text is shown all the same.
    let sheet = row.sheet.and_then(|sheet| serde_json::from_value::<Sheet>(sheet).ok()).unwrap_or_default();
    let zone = zone(&mut db).await?;
    let mut frame = signed_in.frame(format!("Handover by {}", row.person), Section::Handover);
    frame.notice = done.notice();
    let page = HandoverPage {
        frame,
        sheet,
        from,
        follows_one: false,
        to: row.at,
        on_call: vec![],
        recorded: Some(Recorded { id, at: row.at, person: row.person, text: row.text }),
        others: others(&mut db).await?.into_iter().filter(|other| other.id != id).collect(),
        zone,
        typed: String::new(),
        error: None,
    };
    Ok(html(&page)?.into_response())
}
