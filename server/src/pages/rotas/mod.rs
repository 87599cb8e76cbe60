//! Rotas: who is on call, and changing it.
//!
//! Every form of a rota's page carries the version that it was drawn from; a change to another version than the stored one is refused,
//! so that two people who edit at once do not undo each other.

mod deed;
mod draw;
mod fields;
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
use chrono::{DateTime, Utc};
use oncall::rota::Rota;
use serde::Deserialize;
use sqlx::PgConnection;
use web::{
    board::Choice,
    frame::Section,
    rotas::{NewRota, RotaLine, RotasPage},
};

use self::{
    deed::Around,
    draw::People,
    fields::Odd,
    store::{Hand, Written},
};
use super::{html, notice::Done, recipients};
use crate::{
    app::App,
    error::WebError,
    on_call::{self, Kept, Stored},
    people::{Role, SignedIn},
};

pub(super) use fields::{Fields, time, zone};
pub(super) use store::zones;

pub(super) fn routes() -> Router<App> {
    Router::new()
        .route("/rotas", get(show_all).post(create))
        .route("/rotas/{id}", get(show_one).post(change))
        .route("/rotas/{id}/remove", post(remove))
}

async fn show_all(
    signed_in: SignedIn,
    State(app): State<App>,
    Query(done): Query<Done>,
) -> Result<Response, WebError> {
    let mut page = list(&mut *app.pool.acquire().await?, &signed_in, &Fields::default(), None).await?;
    page.frame.notice = done.notice();
    Ok(html(&page)?.into_response())
}

async fn list(
    db: &mut PgConnection,
    signed_in: &SignedIn,
    typed: &Fields,
    fault: Option<String>,
) -> Result<RotasPage, WebError> {
    let now = Utc::now();
    let rotas = on_call::all(db).await?;
    let zones = zones(db).await?;
    let names = People::load(db).await?.names();
    let areas = recipients::areas(db).await?;
    let free = areas.into_iter().filter(|a| !rotas.iter().any(|r| store::is_of(a, r.kind, r.area_id)));
    let area = |a: recipients::Area| Choice {
        chosen: a.value() == typed.one("area"),
        value: a.value(),
        title: a.name,
    };
    let line = |r: &Stored| RotaLine {
        id: r.id,
        name: r.name.clone(),
        area: r.area.clone(),
        zone: r.kept.rota.zone,
        levels: r.kept.rota.levels.len(),
        now: on_call::line(r, now, &names),
    };
    Ok(RotasPage {
        frame: signed_in.frame("Rotas", Section::Rotas),
        rotas: rotas.iter().map(line).collect(),
        form: NewRota {
            name: typed.one("name").to_owned(),
            areas: free.map(area).collect(),
            zone: typed.some("zone").or_else(|| zones.first().cloned()).unwrap_or_default(),
            fault,
        },
        zones,
    })
}

async fn create(
    signed_in: SignedIn,
    State(app): State<App>,
    Form(typed): Form<Fields>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Engineer)?;
    let mut db = app.pool.acquire().await?;
    let why = match begin(&mut db, &signed_in, &typed).await? {
        Ok(id) => {
            app.on_call.look_again(&mut db).await;
            return Ok(Redirect::to(&format!("/rotas/{id}?done=added")).into_response());
        }
        Err(why) => why,
    };
    let page = list(&mut db, &signed_in, &typed, Some(why)).await?;
    Ok((StatusCode::BAD_REQUEST, html(&page)?).into_response())
}

async fn begin(
    db: &mut PgConnection,
    signed_in: &SignedIn,
    typed: &Fields,
) -> sqlx::Result<Result<i32, String>> {
    let name = match deed::name(typed.one("name")) {
        Ok(name) => name,
        Err(why) => return Ok(Err(why)),
    };
    let zone = match zone(typed.one("zone")) {
        Ok(zone) => zone,
        Err(why) => return Ok(Err(why)),
    };
    let areas = recipients::areas(db).await?;
    let Some(area) = areas.iter().find(|area| area.value() == typed.one("area")) else {
        return Ok(Err("The area is not in the inventory; choose one from the list.".to_owned()));
    };
    let rota = Rota { zone, levels: vec![], holidays: Default::default() };
    let kept = Kept { rota, holiday_names: Default::default() };
    let hand = Hand { person: &signed_in.name, now: Utc::now() };
    Ok(match store::create(db, &name, area, &kept, &hand).await? {
        Written::Yes(id) => Ok(id),
        Written::Taken | Written::Overtaken => {
            Err(format!("There is a rota of that name already, or one for {}; change that one.", area.name))
        }
    })
}

fn number(text: &str) -> Result<i32, WebError> {
    text.parse().map_err(|_| WebError::NotFound(format!("rota {text}")))
}

async fn stored(db: &mut PgConnection, id: &str) -> Result<Stored, WebError> {
    let number = number(id)?;
    on_call::find(db, number).await?.ok_or_else(|| WebError::NotFound(format!("rota {id}")))
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Asked {
    weeks: String,
}

async fn show_one(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
    Query(done): Query<Done>,
    Query(asked): Query<Asked>,
) -> Result<Response, WebError> {
    let mut db = app.pool.acquire().await?;
    let stored = stored(&mut db, &id).await?;
    let people = People::load(&mut db).await?;
    let weeks = asked.weeks.parse().unwrap_or(0);
    let mut page = draw::page(&mut db, &signed_in, &stored, &people, weeks, Utc::now()).await?;
    page.frame.notice = done.notice();
    Ok(html(&page)?.into_response())
}

async fn change(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
    Form(fields): Form<Fields>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Engineer)?;
    let now = Utc::now();
    let mut db = app.pool.acquire().await?;
    let found = stored(&mut db, &id).await?;
    let people = People::load(&mut db).await?;
    let version = fields.one("version").parse().unwrap_or(0);
    let (status, why) = if version == found.version {
        match deed::act(&found, &fields, &Around { now, names: &people.names() }) {
            Err(why) => (StatusCode::BAD_REQUEST, why),
            Ok(done) => {
                let hand = Hand { person: &signed_in.name, now };
                match store::change(&mut db, found.id, version, &done, &hand).await? {
                    Written::Yes(_) => {
                        app.on_call.look_again(&mut db).await;
                        let key = key(done.odd);
                        return Ok(Redirect::to(&format!("/rotas/{}?done={key}", found.id)).into_response());
                    }
                    Written::Taken => (StatusCode::BAD_REQUEST, "Another rota has that name.".to_owned()),
                    Written::Overtaken => (StatusCode::CONFLICT, overtaken(&mut db, found.id).await?),
                }
            }
        }
    } else {
        (StatusCode::CONFLICT, overtaken(&mut db, found.id).await?)
    };
    refused(&mut db, &signed_in, &id, &people, &fields, (status, why), now).await
}

/// The page as things stand now, with what was typed and why it was refused.
async fn refused(
    db: &mut PgConnection,
    signed_in: &SignedIn,
    id: &str,
    people: &People,
    fields: &Fields,
    (status, why): (StatusCode, String),
    now: DateTime<Utc>,
) -> Result<Response, WebError> {
    let stored = stored(db, id).await?;
    let mut page = draw::page(db, signed_in, &stored, people, 0, now).await?;
    draw::refuse(&mut page, &stored, people, fields, why, now);
    Ok((status, html(&page)?).into_response())
}

/// What to say to whoever comes second.
async fn overtaken(db: &mut PgConnection, id: i32) -> sqlx::Result<String> {
    let last = store::changes(db, id).await?.into_iter().next();
    let by = last.map_or_else(String::new, |c| format!(" by {}: “{}”", c.person, c.what));
    Ok(format!(
        "The rota was changed meanwhile{by}. Nothing of yours was stored; look at the rota as it is now, and send the form again if it still fits."
    ))
}

const fn key(odd: Option<Odd>) -> &'static str {
    match odd {
        None => "changed",
        Some(Odd::Skipped) => "skipped",
        Some(Odd::Twice) => "twice",
    }
}

async fn remove(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
    Form(fields): Form<Fields>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Engineer)?;
    let mut db = app.pool.acquire().await?;
    let found = stored(&mut db, &id).await?;
    if fields.one("sure") != "yes" {
        return Err(WebError::BadRequest("Tick the box beside the button to take the rota away.".to_owned()));
    }
    if !store::remove(&mut db, found.id, fields.one("version").parse().unwrap_or(0)).await? {
        return Err(WebError::Conflict(overtaken(&mut db, found.id).await?));
    }
    app.on_call.look_again(&mut db).await;
    tracing::info!(rota = found.name, by = signed_in.name, "a rota was taken away");
    Ok(Redirect::to("/rotas?done=removed").into_response())
}
