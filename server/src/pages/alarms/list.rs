//! The list of alarms.

use axum::{
    extract::{Query, State},
    http::StatusCode,
    response::{IntoResponse, Response},
};
use chrono::{NaiveDate, Utc};
use regulator::conditions::{Condition, Priority};
use serde::Deserialize;
use sqlx::{Connection, PgConnection};
use web::{
    alarms::{AlarmsPage, Counts, Filter, Position, Row, Show},
    board::Choice,
    frame::{Frame, Section},
};

use super::{Shown, find, groups, shown};
use crate::{
    app::App,
    error::WebError,
    pages::{html, notice::Done},
    people::SignedIn,
};

/// Alarms on a page.
const PAGE: i64 = 100;

/// What the address may say; empty values come from the form and mean "any".
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Asked {
    state: String,
    condition: String,
    priority: String,
    place: String,
    site: String,
    substation: String,
    from: String,
    to: String,
    after: String,
    view: String,
    tick: String,
}

impl Asked {
    pub(super) fn understood(&self) -> Result<Filter, WebError> {
        let priority = |word: &str| Priority::ALL.iter().copied().find(|p| p.title() == word);
        Ok(Filter {
            show: one(&self.state, "state", Show::from_key)?.unwrap_or_default(),
            condition: one(&self.condition, "condition", Condition::from_name)?,
            priority: one(&self.priority, "priority", priority)?,
            place: self.place.trim().chars().filter(|c| *c != '\0').take(200).collect(),
            site: one(&self.site, "site", |id| id.parse().ok())?,
            substation: one(&self.substation, "substation", |id| id.parse().ok())?,
            from: one(&self.from, "day", day)?,
            to: one(&self.to, "day", day)?,
            after: one(&self.after, "place in the list", Position::from_text)?,
        })
    }
}

fn day(text: &str) -> Option<NaiveDate> {
    // Postgres knows no years beyond; neither does anyone's history.
    text.parse().ok().filter(|day: &NaiveDate| day.to_string().len() == 10)
}

fn one<T>(text: &str, what: &str, read: impl FnOnce(&str) -> Option<T>) -> Result<Option<T>, WebError> {
    if text.is_empty() {
        return Ok(None);
    }
    let unknown =
        || WebError::BadRequest(format!("“{text}” is no {what}. Choose from the list on the page Alarms."));
    read(text).map(Some).ok_or_else(unknown)
}

pub(super) async fn show(
    signed_in: SignedIn,
    State(app): State<App>,
    Query(asked): Query<Asked>,
    Query(done): Query<Done>,
) -> Result<Response, WebError> {
    let filter = asked.understood()?;
    let in_groups = one(&asked.view, "view", |view| (view == "groups").then_some(()))?.is_some();
    let mut db = app.pool.acquire().await?;
    let mut page = page(&mut db, signed_in.frame("Alarms", Section::Alarms), filter).await?;
    if in_groups {
        page.groups = Some(groups::open(&mut db).await?);
    }
    page.ticked = asked.tick == "all";
    page.frame.notice = done.notice();
    Ok(html(&page)?.into_response())
}

/// The list again, with what was typed below it and why it was refused.
pub(super) async fn refused(
    db: &mut PgConnection,
    signed_in: &SignedIn,
    filter: Filter,
    typed: String,
    why: String,
) -> Result<Response, WebError> {
    let page = AlarmsPage {
        typed,
        error: Some(why),
        ..page(db, signed_in.frame("Alarms", Section::Alarms), filter).await?
    };
    Ok((StatusCode::BAD_REQUEST, html(&page)?).into_response())
}

async fn page(db: &mut PgConnection, frame: Frame, filter: Filter) -> Result<AlarmsPage, WebError> {
    let mut tx = db.begin().await?;
    // A plan made for any filter at all would read every alarm there is for the sake of a hundred.
    sqlx::query!("set local plan_cache_mode = force_custom_plan").execute(&mut *tx).await?;
    // A bitmap has no order: it would gather every alarm of a kind for the sake of the newest.
    sqlx::query!("set local enable_bitmapscan = off").execute(&mut *tx).await?;
    // Compiling a plan takes longer than running one that reads a page of rows.
    sqlx::query!("set local jit = off").execute(&mut *tx).await?;
    let counts = counts(&mut tx).await?;
    let ids = find::alarms(&mut tx, &filter, PAGE + 1).await?;
    let mut alarms = shown(&mut tx, &ids).await?;
    let substations = substations(&mut tx, filter.substation).await?;
    tx.commit().await?;
    let more = i64::try_from(alarms.len()).unwrap_or(i64::MAX) > PAGE;
    if more {
        alarms.pop();
    }
    let next = alarms.last().filter(|_| more).map(|last| after(&filter, last));
    let rows: Vec<Row> = alarms.into_iter().filter_map(Shown::row).collect();
    Ok(AlarmsPage {
        frame,
        filter,
        counts,
        substations,
        rows,
        groups: None,
        ticked: false,
        typed: String::new(),
        error: None,
        next,
        now: Utc::now(),
    })
}

/// Makes the page of one address's query as for nobody in particular, for benches; its size in bytes.
pub(crate) async fn measure(db: &mut PgConnection, query: &str) -> Result<usize, WebError> {
    let asked: Asked =
        serde_urlencoded::from_str(query).map_err(|error| WebError::BadRequest(error.to_string()))?;
    let frame = Frame { title: "Alarms".to_owned(), section: Section::Alarms, viewer: None, notice: None };
    Ok(html(&page(db, frame, asked.understood()?).await?)?.0.len())
}

fn after(filter: &Filter, last: &Shown) -> String {
    let position = Position {
        acknowledged: last.acknowledged_at.is_some(),
        level: last.priority,
        raised_at: last.raised_at,
        id: last.id,
    };
    Filter { after: Some(position), ..filter.clone() }.href()
}

/// How many alarms are in each state; one that is held in several ways counts in each, as the lists show it.
pub(in crate::pages) async fn counts(db: &mut PgConnection) -> sqlx::Result<Counts> {
    let open = sqlx::query!(
        r#"select count(*) filter (where acknowledged_at is null) as "unacknowledged!",
                  count(acknowledged_at) as "acknowledged!"
           from alarm a left join alarm_point p on p.id = a.point_id
           where a.returned_at is null and not coalesce(p.held, false)"#
    )
    .fetch_one(&mut *db)
    .await?;
    let standing = sqlx::query!(
        r#"select count(*) filter (where process = 'returned' and not held) as "returned!",
                  count(*) filter (where shelved_until is not null) as "shelved!",
                  count(*) filter (where num_nonnulls(silent_why, maintenance_why) > 0) as "suppressed!",
                  count(*) filter (where out_of_service_at is not null) as "out_of_service!"
           from alarm_point where alarm_id is not null and (held or process = 'returned')"#
    )
    .fetch_one(db)
    .await?;
    Ok(Counts {
        unacknowledged: open.unacknowledged,
        acknowledged: open.acknowledged,
        returned: standing.returned,
        shelved: standing.shelved,
        suppressed: standing.suppressed,
        out_of_service: standing.out_of_service,
    })
}

async fn substations(db: &mut PgConnection, chosen: Option<i32>) -> sqlx::Result<Vec<Choice>> {
    let rows = sqlx::query!("select id, name from substation order by name, id").fetch_all(db).await?;
    let choice = |id: i32, title| Choice { value: id.to_string(), title, chosen: chosen == Some(id) };
    Ok(rows.into_iter().map(|row| choice(row.id, row.name)).collect())
}
