//! The list of alarms.

use axum::{
    extract::{Query, State},
    response::{IntoResponse, Response},
};
use chrono::{Days, NaiveDate, NaiveTime, Utc};
use regulator::{
    Timestamp,
    conditions::{Condition, Priority},
};
use serde::Deserialize;
use sqlx::PgConnection;
use web::{
    alarms::{AlarmsPage, Filter, Position, Row, Show},
    frame::{Frame, Section},
};

use super::Shown;
use crate::{app::App, error::WebError, pages::html, people::SignedIn};

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
    from: String,
    to: String,
    after: String,
}

impl Asked {
    fn understood(&self) -> Result<Filter, WebError> {
        let priority = |word: &str| Priority::ALL.iter().copied().find(|p| p.title() == word);
        Ok(Filter {
            show: one(&self.state, "state", Show::from_key)?.unwrap_or_default(),
            condition: one(&self.condition, "condition", Condition::from_name)?,
            priority: one(&self.priority, "priority", priority)?,
            place: self.place.trim().chars().take(200).collect(),
            site: one(&self.site, "site", |id| id.parse().ok())?,
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
) -> Result<Response, WebError> {
    let filter = asked.understood()?;
    let mut db = app.pool.begin().await?;
    // A plan made for any filter at all would sort every alarm there is for the sake of a hundred.
    sqlx::query!("set local plan_cache_mode = force_custom_plan").execute(&mut *db).await?;
    let (unacknowledged, acknowledged) = open_counts(&mut db).await?;
    let mut shown = if filter.show.is_by_urgency() {
        by_urgency(&mut db, &filter).await?
    } else {
        newest_first(&mut db, &filter).await?
    };
    db.commit().await?;
    let more = i64::try_from(shown.len()).unwrap_or(i64::MAX) > PAGE;
    if more {
        shown.pop();
    }
    let next = shown.last().filter(|_| more).map(|last| after(&filter, last));
    let rows: Vec<Row> = shown.into_iter().filter_map(Shown::row).collect();
    let frame: Frame = signed_in.frame("Alarms", Section::Alarms);
    let page = AlarmsPage { frame, filter, unacknowledged, acknowledged, rows, next, now: Utc::now() };
    Ok(html(&page)?.into_response())
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

async fn open_counts(db: &mut PgConnection) -> sqlx::Result<(i64, i64)> {
    let row = sqlx::query!(
        r#"select count(*) filter (where acknowledged_at is null) as "unacknowledged!",
                  count(acknowledged_at) as "acknowledged!"
           from alarm where returned_at is null"#
    )
    .fetch_one(db)
    .await?;
    Ok((row.unacknowledged, row.acknowledged))
}

/// The start of a day, and of the day after one.
fn bounds(filter: &Filter) -> (Option<Timestamp>, Option<Timestamp>) {
    let start = |day: NaiveDate| day.and_time(NaiveTime::MIN).and_utc();
    (filter.from.map(start), filter.to.and_then(|day| day.checked_add_days(Days::new(1))).map(start))
}

async fn by_urgency(db: &mut PgConnection, filter: &Filter) -> sqlx::Result<Vec<Shown>> {
    let (from, before) = bounds(filter);
    let after = filter.after;
    sqlx::query_as!(
        Shown,
        r#"select id as "id!", condition as "condition!", priority as "priority!", place as "place!", endpoint_sites, site_id,
                time_zone as "time_zone!", summary as "summary!", raised_at as "raised_at!", returned_at,
                acknowledged_at, acknowledged_by, announced_at is not null as "announced!", hold
           from alarm_shown
           where returned_at is null
             and ($1::boolean is null or (acknowledged_at is not null) = $1)
             and ($2::text is null or condition = $2)
             and ($3::smallint is null or priority = $3)
             and ($4 = '' or strpos(lower(place), lower($4)) > 0
                  or endpoint_id in (select g.endpoint_id from regulator g
                                     join bank m on m.id = g.bank_id join site n on n.id = m.site_id
                                     where g.retired_at is null and strpos(lower(n.name), lower($4)) > 0))
             and ($5::integer is null or site_id = $5)
             and ($6::timestamptz is null or raised_at >= $6)
             and ($7::timestamptz is null or raised_at < $7)
             and ($8::boolean is null or (acknowledged_at is not null) > $8
                  or ((acknowledged_at is not null) = $8 and (priority, raised_at, id) < ($9, $10, $11)))
           order by (acknowledged_at is not null), priority desc, raised_at desc, id desc
           limit $12"#,
        filter.show.acknowledged(),
        filter.condition.map(Condition::name),
        filter.priority.map(Priority::level),
        filter.place,
        filter.site,
        from,
        before,
        after.map(|p| p.acknowledged),
        after.map(|p| p.level),
        after.map(|p| p.raised_at),
        after.map(|p| p.id),
        PAGE + 1,
    )
    .fetch_all(db)
    .await
}

async fn newest_first(db: &mut PgConnection, filter: &Filter) -> sqlx::Result<Vec<Shown>> {
    let (from, before) = bounds(filter);
    let after = filter.after;
    sqlx::query_as!(
        Shown,
        r#"select id as "id!", condition as "condition!", priority as "priority!", place as "place!", endpoint_sites, site_id,
                time_zone as "time_zone!", summary as "summary!", raised_at as "raised_at!", returned_at,
                acknowledged_at, acknowledged_by, announced_at is not null as "announced!", hold
           from alarm_shown
           where ($1::boolean is null or (returned_at is not null) = $1)
             and ($2::boolean is null or (acknowledged_at is not null) = $2)
             and ($3::text is null or condition = $3)
             and ($4::smallint is null or priority = $4)
             and ($5 = '' or strpos(lower(place), lower($5)) > 0
                  or endpoint_id in (select g.endpoint_id from regulator g
                                     join bank m on m.id = g.bank_id join site n on n.id = m.site_id
                                     where g.retired_at is null and strpos(lower(n.name), lower($5)) > 0))
             and ($6::integer is null or site_id = $6)
             and ($7::timestamptz is null or raised_at >= $7)
             and ($8::timestamptz is null or raised_at < $8)
             and ($9::timestamptz is null or (raised_at, id) < ($9, $10))
           order by raised_at desc, id desc
           limit $11"#,
        filter.show.returned(),
        filter.show.acknowledged(),
        filter.condition.map(Condition::name),
        filter.priority.map(Priority::level),
        filter.place,
        filter.site,
        from,
        before,
        after.map(|p| p.raised_at),
        after.map(|p| p.id),
        PAGE + 1,
    )
    .fetch_all(db)
    .await
}
