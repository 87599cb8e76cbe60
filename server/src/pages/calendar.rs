//! A person's turns as a feed, for calendar programs: they cannot sign in, so the address itself is the secret.

use axum::{
    Router,
    extract::{Path, State},
    http::header,
    response::{IntoResponse, Response},
    routing::get,
};
use chrono::{DateTime, TimeDelta, Utc};
use oncall::{
    calendar::{Entry, Heading, feed},
    rota::PersonId,
};
use sqlx::PgConnection;

use crate::{
    app::App,
    error::WebError,
    on_call::{self, Stored},
    people::digest,
};

/// How far back the feed goes.
const BACK: TimeDelta = TimeDelta::days(30);
/// How far ahead.
const AHEAD: TimeDelta = TimeDelta::days(366);

pub(super) fn routes() -> Router<App> {
    Router::new().route("/calendar/{file}", get(show))
}

async fn show(State(app): State<App>, Path(file): Path<String>) -> Result<Response, WebError> {
    // The answer is the same for an address that was never good and one that is good no longer.
    let unknown = || WebError::NotFound("calendar at this address".to_owned());
    let token = file.strip_suffix(".ics").ok_or_else(unknown)?;
    let mut db = app.pool.acquire().await?;
    let (person, name) = owner(&mut db, token).await?.ok_or_else(unknown)?;
    let rotas = on_call::all(&mut db).await?;
    let now = Utc::now();
    let name = format!("On call: {name}");
    let heading = Heading { name: &name, host: host(&app.config.public_url), made_at: now };
    let body = feed(&heading, entries(&rotas, person, now));
    Ok(([(header::CONTENT_TYPE, "text/calendar; charset=utf-8")], body).into_response())
}

async fn owner(db: &mut PgConnection, token: &str) -> sqlx::Result<Option<(i32, String)>> {
    let row = sqlx::query!(
        "select p.id, p.name from recipient r join person p on p.id = r.person_id
         where r.calendar_token_hash = $1 and p.disabled_at is null",
        &digest(token)[..]
    )
    .fetch_optional(db)
    .await?;
    Ok(row.map(|row| (row.id, row.name)))
}

fn entries(rotas: &[Stored], person: i32, now: DateTime<Utc>) -> impl Iterator<Item = Entry<'_>> {
    rotas.iter().flat_map(move |stored| {
        let rota = &stored.kept.rota;
        (1..=rota.level_count()).flat_map(move |level| {
            let turns = rota.turns(level, now - BACK, now + AHEAD).into_iter();
            turns.filter(move |turn| turn.person == Some(PersonId(person))).map(move |turn| Entry {
                rota: stored.id,
                area: &stored.area,
                level,
                turn,
            })
        })
    })
}

/// The host of the address under which people reach the server.
fn host(public_url: &str) -> &str {
    let rest = public_url.split_once("://").map_or(public_url, |(_, rest)| rest);
    rest.split(['/', ':']).next().unwrap_or("tapkeeper")
}
