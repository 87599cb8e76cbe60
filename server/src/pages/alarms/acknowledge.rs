//! Acknowledging an alarm.

use axum::{
    Form,
    extract::{Path, State},
    response::{IntoResponse, Redirect, Response},
};
use chrono::Utc;
use serde::Deserialize;

use super::one;
use crate::{
    alarms::desk::{Deed, Hand, act},
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
    let hand = Hand { person: &signed_in.name, at: Utc::now(), why: Some(note).filter(|n| !n.is_empty()) };
    let done = match act(&mut db, number, Deed::Acknowledge, hand).await? {
        Some(Ok(())) => "acknowledged",
        Some(Err(_)) => "already",
        None => return Err(nothing()),
    };
    Ok(Redirect::to(&format!("/alarms/{number}?done={done}")).into_response())
}
