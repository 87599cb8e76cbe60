//! Notes of sites, regulators and alarms: read, written, never changed.

use axum::{
    Form, Router,
    extract::{Path, State},
    http::StatusCode,
    response::{IntoResponse, Redirect, Response},
    routing::post,
};
use chrono_tz::Tz;
use regulator::Timestamp;
use serde::Deserialize;
use sqlx::PgConnection;
pub(super) use web::notes::LONGEST;
use web::{
    board::Choice,
    frame::Section,
    notes::{Note, SiteNotes, SiteNotesPage},
};

use super::html;
use crate::{
    app::App,
    error::WebError,
    people::{Role, SignedIn},
};

/// Notes shown of a site.
const SHOWN: i64 = 30;

pub(super) fn routes() -> Router<App> {
    Router::new().route("/site/{id}/notes", post(write))
}

/// What a note is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum About {
    Alarm(i64),
    Regulator(i32),
    Site(i32),
}

/// Text from a form as it is kept: without the carriage returns that forms add, and trimmed.
pub(super) fn plain(text: &str) -> String {
    text.replace("\r\n", "\n").replace('\0', "").trim().to_owned()
}

/// A note's text, or why it is none.
pub(super) fn understood(text: &str) -> Result<String, String> {
    let text = plain(text);
    match text.chars().count() {
        0 => Err("The note is empty: write something, or leave it.".to_owned()),
        n if n > LONGEST => {
            Err(format!("The note has {n} characters; {LONGEST} is the most. Shorten it and send it again."))
        }
        _ => Ok(text),
    }
}

/// Writes it down; false if there is no such thing.
pub(super) async fn add(db: &mut PgConnection, about: About, person: &str, text: &str) -> sqlx::Result<bool> {
    let (alarm, regulator, site) = match about {
        About::Alarm(id) => (Some(id), None, None),
        About::Regulator(id) => (None, Some(id), None),
        About::Site(id) => (None, None, Some(id)),
    };
    let done = sqlx::query!(
        "insert into note (alarm_id, regulator_id, site_id, person, text)
         select a.id, r.id, s.id, $4, $5
         from (select) one
         left join alarm a on a.id = $1 left join regulator r on r.id = $2 left join site s on s.id = $3
         where num_nonnulls(a.id, r.id, s.id) = 1",
        alarm,
        regulator,
        site,
        person,
        text,
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// The notes of one thing, newest first.
pub(super) async fn of(db: &mut PgConnection, about: About) -> sqlx::Result<Vec<Note>> {
    let (alarm, regulator, site) = match about {
        About::Alarm(id) => (Some(id), None, None),
        About::Regulator(id) => (None, Some(id), None),
        About::Site(id) => (None, None, Some(id)),
    };
    let rows = sqlx::query!(
        "select at, person, text from note
         where alarm_id = $1 or regulator_id = $2 or site_id = $3 order by at desc, id desc limit $4",
        alarm,
        regulator,
        site,
        SHOWN,
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|r| Note { at: r.at, person: r.person, text: r.text, about: None }).collect())
}

/// The latest notes of a site, its regulators and their alarms, and a form. `regulators` with their names.
pub(super) async fn of_site(
    db: &mut PgConnection,
    site: i32,
    regulators: &[(i32, String)],
    zone: Tz,
) -> sqlx::Result<SiteNotes> {
    struct Stored {
        at: Timestamp,
        person: String,
        text: String,
        regulator_id: Option<i32>,
        alarm_id: Option<i64>,
        condition: Option<String>,
    }
    let rows = sqlx::query_as!(
        Stored,
        r#"with unit as (select r.id from regulator r join bank b on b.id = r.bank_id where b.site_id = $1)
           select n.at, n.person, n.text, n.regulator_id, n.alarm_id, a.condition as "condition?"
           from note n left join alarm a on a.id = n.alarm_id
           where n.site_id = $1 or n.regulator_id in (select id from unit) or a.regulator_id in (select id from unit)
           order by n.at desc, n.id desc limit $2"#,
        site,
        SHOWN,
    )
    .fetch_all(db)
    .await?;
    let name = |id: i32| regulators.iter().find(|(unit, _)| *unit == id).map(|(_, name)| name.clone());
    let note = |row: Stored| Note {
        about: match (row.alarm_id, row.regulator_id) {
            (Some(id), _) => Some((title(row.condition.as_deref()), format!("/alarms/{id}"))),
            (_, Some(id)) => Some((
                name(id).unwrap_or_else(|| format!("regulator {id}")),
                format!("/regulator/{id}/audit"),
            )),
            _ => None,
        },
        at: row.at,
        person: row.person,
        text: row.text,
    };
    let choice = |(id, name): &(i32, String)| Choice {
        value: format!("regulator:{id}"),
        title: format!("Regulator {name}"),
        chosen: false,
    };
    let whole = Choice { value: "site".to_owned(), title: "The site".to_owned(), chosen: false };
    Ok(SiteNotes {
        site,
        notes: rows.into_iter().map(note).collect(),
        about: std::iter::once(whole).chain(regulators.iter().map(choice)).collect(),
        zone,
        typed: String::new(),
        error: None,
    })
}

/// A condition's name for people.
pub(super) fn title(condition: Option<&str>) -> String {
    let known = condition.and_then(regulator::conditions::Condition::from_name);
    known.map_or_else(|| condition.unwrap_or("alarm").to_owned(), |c| c.title().to_owned())
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Typed {
    about: String,
    text: String,
}

async fn write(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<i32>,
    Form(typed): Form<Typed>,
) -> Result<Response, WebError> {
    signed_in.require(Role::Operate)?;
    let mut db = app.pool.acquire().await?;
    let site = sqlx::query!("select name, time_zone from site where id = $1", id)
        .fetch_optional(&mut *db)
        .await?
        .ok_or_else(|| WebError::NotFound(format!("site {id}")))?;
    let units = sqlx::query!(
        "select r.id, b.name || ' ' || r.phase as name from regulator r join bank b on b.id = r.bank_id
         where b.site_id = $1 and r.retired_at is null order by b.name, r.phase",
        id
    )
    .fetch_all(&mut *db)
    .await?;
    let units: Vec<(i32, String)> = units.into_iter().map(|u| (u.id, u.name.unwrap_or_default())).collect();
    let chosen = typed.about.strip_prefix("regulator:").and_then(|unit| unit.parse::<i32>().ok());
    let about = match chosen {
        Some(unit) if units.iter().any(|(id, _)| *id == unit) => Ok(About::Regulator(unit)),
        None if matches!(typed.about.as_str(), "" | "site") => Ok(About::Site(id)),
        _ => Err("Choose what the note is about from the list.".to_owned()),
    };
    match about.and_then(|about| Ok((about, understood(&typed.text)?))) {
        Ok((about, text)) => {
            add(&mut db, about, &signed_in.name, &text).await?;
            Ok(Redirect::to(&format!("/site/{id}#notes")).into_response())
        }
        Err(why) => {
            let zone = site.time_zone.parse().unwrap_or(Tz::UTC);
            let mut notes = of_site(&mut db, id, &units, zone).await?;
            for choice in &mut notes.about {
                choice.chosen = choice.value == typed.about;
            }
            let notes = SiteNotes { typed: typed.text, error: Some(why), ..notes };
            let frame = signed_in.frame(format!("Notes of {}", site.name), Section::Board);
            let page = SiteNotesPage { frame, name: site.name, notes };
            Ok((StatusCode::BAD_REQUEST, html(&page)?).into_response())
        }
    }
}
