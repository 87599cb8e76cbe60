//! One alarm, with all that is known of it.

use axum::{
    extract::{Path, Query, State},
    http::StatusCode,
    response::{IntoResponse, Response},
};
use chrono::{TimeDelta, Utc};
use regulator::{Timestamp, alarms::Event, conditions::Fact};
use sqlx::PgConnection;
use web::{
    alarms::{AlarmPage, Evidence, Step},
    board::number,
    frame::{Frame, Section},
};

use super::{Shown, messages, readings};
use crate::{
    app::App,
    error::WebError,
    pages::{html, notice::Done},
    people::SignedIn,
};

pub(super) async fn show(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(id): Path<String>,
    Query(done): Query<Done>,
) -> Result<Response, WebError> {
    let mut page = page(&mut *app.pool.acquire().await?, &signed_in, &id).await?;
    page.frame.notice = done.notice();
    Ok(html(&page)?.into_response())
}

/// The page again, with what was typed and why it was refused.
pub(super) async fn refused(
    db: &mut PgConnection,
    signed_in: &SignedIn,
    id: &str,
    typed: String,
    why: String,
) -> Result<Response, WebError> {
    let page = AlarmPage { typed, error: Some(why), ..page(db, signed_in, id).await? };
    Ok((StatusCode::BAD_REQUEST, html(&page)?).into_response())
}

async fn page(db: &mut PgConnection, signed_in: &SignedIn, text: &str) -> Result<AlarmPage, WebError> {
    let nothing = || WebError::NotFound(format!("alarm {text}"));
    let id = text.parse().map_err(|_| nothing())?;
    let (shown, rest) = find(db, id).await?.ok_or_else(nothing)?;
    let acknowledged_at = shown.acknowledged_at;
    let alarm = shown.row().ok_or_else(nothing)?;
    let readings = match rest.regulator_id {
        Some(regulator_id) => readings::around(db, regulator_id, alarm.raised_at).await?,
        None => Vec::new(),
    };
    let frame: Frame =
        signed_in.frame(format!("{}, {}", alarm.condition.title(), alarm.place), Section::Alarms);
    Ok(AlarmPage {
        frame,
        acknowledged_at,
        regulator_id: rest.regulator_id,
        note: rest.note,
        evidence: evidence(rest.evidence),
        readings,
        steps: steps(db, id).await?,
        messages: messages::of(db, id).await?,
        typed: String::new(),
        error: None,
        now: Utc::now(),
        alarm,
    })
}

struct Rest {
    regulator_id: Option<i32>,
    note: Option<String>,
    evidence: serde_json::Value,
}

async fn find(db: &mut PgConnection, id: i64) -> sqlx::Result<Option<(Shown, Rest)>> {
    let row = sqlx::query!(
        r#"select id as "id!", condition as "condition!", priority as "priority!", place as "place!", endpoint_sites, site_id,
                time_zone as "time_zone!", summary as "summary!", raised_at as "raised_at!", returned_at,
                acknowledged_at, acknowledged_by, announced_at is not null as "announced!", hold, regulator_id, acknowledge_note, evidence as "evidence!"
           from alarm_shown where id = $1"#,
        id
    )
    .fetch_optional(db)
    .await?;
    Ok(row.map(|row| {
        let shown = Shown {
            id: row.id,
            condition: row.condition,
            priority: row.priority,
            place: row.place,
            endpoint_sites: row.endpoint_sites,
            site_id: row.site_id,
            time_zone: row.time_zone,
            summary: row.summary,
            raised_at: row.raised_at,
            returned_at: row.returned_at,
            acknowledged_at: row.acknowledged_at,
            acknowledged_by: row.acknowledged_by,
            announced: row.announced,
            hold: row.hold,
        };
        (shown, Rest { regulator_id: row.regulator_id, note: row.acknowledge_note, evidence: row.evidence })
    }))
}

/// What cannot be read is left out rather than making the alarm unreadable.
fn evidence(stored: serde_json::Value) -> Vec<Evidence> {
    let facts: Vec<Fact> = serde_json::from_value(stored).unwrap_or_default();
    facts
        .into_iter()
        .map(|fact| {
            let decimals = if fact.value.fract() == 0.0 { 0 } else { 1 };
            let value = if fact.unit == "s" {
                #[allow(clippy::cast_possible_truncation, reason = "lengths of time far below 2^63 s")]
                let whole = fact.value.round() as i64;
                web::words::span(TimeDelta::try_seconds(whole).unwrap_or(TimeDelta::MAX))
            } else {
                number(fact.value, decimals, &fact.unit)
            };
            Evidence { value, label: fact.label }
        })
        .collect()
}

async fn steps(db: &mut PgConnection, alarm_id: i64) -> sqlx::Result<Vec<Step>> {
    struct Stored {
        kind: String,
        at: Timestamp,
        recorded_at: Timestamp,
        person: Option<String>,
        note: Option<String>,
    }
    let stored = sqlx::query_as!(
        Stored,
        "select kind, at, recorded_at, person, note from alarm_transition where alarm_id = $1 order by at, id",
        alarm_id
    )
    .fetch_all(db)
    .await?;
    let step = |s: Stored| Step {
        what: what(&s.kind),
        at: s.at,
        recorded_at: s.recorded_at,
        person: s.person,
        note: s.note,
    };
    Ok(stored.into_iter().map(step).collect())
}

/// A transition in words.
pub(super) fn what(kind: &str) -> String {
    Event::from_name(kind).map_or_else(|| kind.to_owned(), |event| event.title().to_owned())
}
