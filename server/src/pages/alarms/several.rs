//! Acknowledging several alarms at once, from the list.

use axum::{
    Form,
    extract::{Query, State},
    http::Uri,
    response::{IntoResponse, Redirect, Response},
};
use chrono::Utc;

use super::{
    deeds::note_of,
    list::{self, Asked},
};
use crate::{
    alarms::desk::{Deed, Hand, act},
    app::App,
    error::WebError,
    people::{Role, SignedIn},
};

/// As many as a page shows.
const MOST: usize = 100;

pub(super) async fn acknowledge(
    signed_in: SignedIn,
    State(app): State<App>,
    Form(fields): Form<Vec<(String, String)>>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Operate)?;
    let field = |name: &str| fields.iter().find(|(n, _)| n == name).map_or("", |(_, value)| value.as_str());
    // The address is read and written anew, so that it can lead nowhere but to the list.
    let back: Uri = field("back").parse().unwrap_or_default();
    let asked: Asked = Query::try_from_uri(&back).map(|Query(asked)| asked).unwrap_or_default();
    let filter = asked.understood().unwrap_or_default();
    let ids: Vec<i64> = fields
        .iter()
        .filter(|(name, _)| name == "id")
        .filter_map(|(_, id)| id.parse().ok())
        .take(MOST)
        .collect();
    let mut db = app.pool.acquire().await?;
    let typed = field("note").to_owned();
    let note = match note_of(&typed) {
        Ok(_) if ids.is_empty() => Err("Nothing is ticked: tick the alarms that you have seen.".to_owned()),
        other => other,
    };
    let note = match note {
        Ok(note) => note,
        Err(why) => return list::refused(&mut db, &signed_in, filter, typed, why).await,
    };
    let mut acknowledged = 0;
    for id in ids {
        let hand = Hand { person: &signed_in.name, at: Utc::now(), why: note.as_deref() };
        // One that someone was faster with is left as it is.
        if act(&mut db, id, Deed::Acknowledge, hand).await? == Some(Ok(())) {
            acknowledged += 1;
        }
    }
    let done = if acknowledged > 0 { "several" } else { "already" };
    let href = filter.href();
    let more = if href.contains('?') { '&' } else { '?' };
    Ok(Redirect::to(&format!("{href}{more}done={done}")).into_response())
}
