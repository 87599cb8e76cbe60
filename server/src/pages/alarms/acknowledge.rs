//! Acknowledging an alarm.

use axum::{
    Form,
    extract::{Path, State},
    response::{IntoResponse, Redirect, Response},
};
use serde::Deserialize;
use sqlx::{Acquire, PgConnection};

use super::one;
use crate::{
    app::App,
    error::WebError,
    people::{Role, SignedIn},
};

/// Longest note, in characters.
const LONGEST: usize = 1000;

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Typed {
    note: String,
}

pub(super) async fn acknowledge(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
    Form(typed): Form<Typed>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Operate)?;
    let mut db = app.pool.acquire().await?;
    let note = typed.note.trim();
    let length = note.chars().count();
    if length > LONGEST {
        let why =
            format!("The note has {length} characters; {LONGEST} is the most. Shorten it and send it again.");
        return one::refused(&mut db, &signed_in, &id, typed.note, why).await;
    }
    let nothing = || WebError::NotFound(format!("alarm {id}"));
    let number: i64 = id.parse().map_err(|_| nothing())?;
    let done = match record(&mut db, number, &signed_in.name, Some(note).filter(|n| !n.is_empty())).await? {
        Some(true) => "acknowledged",
        Some(false) => "already",
        None => return Err(nothing()),
    };
    Ok(Redirect::to(&format!("/alarms/{number}?done={done}")).into_response())
}

/// Records the first acknowledgement, in one transaction with its transition. Whether it was the first; nothing when there is
/// no such alarm.
async fn record(
    db: &mut PgConnection,
    id: i64,
    person: &str,
    note: Option<&str>,
) -> sqlx::Result<Option<bool>> {
    let mut tx = db.begin().await?;
    let first = sqlx::query_scalar!(
        "update alarm set acknowledged_at = now(), acknowledged_by = $2, acknowledge_note = $3
         where id = $1 and acknowledged_at is null returning acknowledged_at",
        id,
        person,
        note,
    )
    .fetch_optional(&mut *tx)
    .await?
    .flatten();
    let Some(at) = first else {
        let known =
            sqlx::query_scalar!("select true from alarm where id = $1", id).fetch_optional(&mut *tx).await?;
        return Ok(known.map(|_| false));
    };
    sqlx::query!(
        "insert into alarm_transition (alarm_id, kind, at, person, note) values ($1, 'acknowledged', $2, $3, $4)
         on conflict (alarm_id, kind) do nothing",
        id,
        at,
        person,
        note,
    )
    .execute(&mut *tx)
    .await?;
    tx.commit().await?;
    Ok(Some(true))
}
