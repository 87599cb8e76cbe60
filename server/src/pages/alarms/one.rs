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
    alarms::{AlarmPage, Deed, Evidence, Step, Typed},
    board::number,
    frame::{Frame, Section},
};

use super::{deeds::longest_on_the_shelf, messages, readings, shown};
use crate::{
    app::App,
    error::WebError,
    pages::{
        html,
        notes::{self, About},
        notice::Done,
    },
    people::SignedIn,
};

pub(super) async fn show(
    signed_in: SignedIn,
    State(app): State<App>,
    Path(text): Path<String>,
    Query(done): Query<Done>,
) -> Result<Response, WebError> {
    let id = text.parse().map_err(|_| WebError::NotFound(format!("alarm {text}")))?;
    let mut page = page(&mut *app.pool.acquire().await?, &signed_in, id).await?;
    page.frame.notice = done.notice();
    Ok(html(&page)?.into_response())
}

/// The page again, with what was typed and why it was refused.
pub(super) async fn refused(
    db: &mut PgConnection,
    signed_in: &SignedIn,
    id: i64,
    typed: Typed,
    fault: (Deed, String),
) -> Result<Response, WebError> {
    let page = AlarmPage { typed, fault: Some(fault), ..page(db, signed_in, id).await? };
    Ok((StatusCode::BAD_REQUEST, html(&page)?).into_response())
}

async fn page(db: &mut PgConnection, signed_in: &SignedIn, id: i64) -> Result<AlarmPage, WebError> {
    let nothing = || WebError::NotFound(format!("alarm {id}"));
    let found = shown(db, &[id]).await?.pop().ok_or_else(nothing)?;
    let rest = rest(db, id).await?.ok_or_else(nothing)?;
    let (acknowledged_at, announced_at, point) = (found.acknowledged_at, found.announced_at, found.point_id);
    let latest = found.latest.filter(|latest| *latest != id);
    let alarm = found.row().ok_or_else(nothing)?;
    let readings = match rest.regulator_id {
        Some(regulator_id) => readings::around(db, regulator_id, alarm.raised_at).await?,
        None => Vec::new(),
    };
    let frame: Frame =
        signed_in.frame(format!("{}, {}", alarm.condition.title(), alarm.place), Section::Alarms);
    Ok(AlarmPage {
        frame,
        announced_at,
        acknowledged_at,
        latest,
        shelf_s: longest_on_the_shelf(db, id).await?,
        regulator_id: rest.regulator_id,
        note: rest.acknowledge_note,
        evidence: evidence(rest.evidence),
        readings,
        steps: steps(db, id, point, alarm.raised_at).await?,
        calling: messages::calling(&mut *db, id).await?,
        messages: messages::of(db, id).await?,
        notes: notes::of(db, About::Alarm(id)).await?,
        typed: Typed::default(),
        fault: None,
        now: Utc::now(),
        alarm,
    })
}

struct Rest {
    regulator_id: Option<i32>,
    acknowledge_note: Option<String>,
    evidence: serde_json::Value,
}

async fn rest(db: &mut PgConnection, id: i64) -> sqlx::Result<Option<Rest>> {
    sqlx::query_as!(Rest, "select regulator_id, acknowledge_note, evidence from alarm where id = $1", id)
        .fetch_optional(db)
        .await
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

/// Its own steps, and those of what holds it, up to the next occurrence.
async fn steps(
    db: &mut PgConnection,
    alarm_id: i64,
    point: Option<i64>,
    raised_at: Timestamp,
) -> sqlx::Result<Vec<Step>> {
    struct Stored {
        kind: String,
        at: Timestamp,
        recorded_at: Timestamp,
        person: Option<String>,
        note: Option<String>,
        until: Option<Timestamp>,
    }
    let stored = sqlx::query_as!(
        Stored,
        "select kind, at, recorded_at, person, note, until from alarm_transition
         where alarm_id = $1
            or (point_id = $2 and alarm_id is null and at >= $3
                and at < coalesce((select min(raised_at) from alarm where point_id = $2 and raised_at > $3), 'infinity'))
         order by at, id",
        alarm_id,
        point,
        raised_at,
    )
    .fetch_all(db)
    .await?;
    let step = |s: Stored| Step {
        what: what(&s.kind),
        at: s.at,
        recorded_at: s.recorded_at,
        person: s.person,
        note: s.note,
        until: s.until,
    };
    Ok(stored.into_iter().map(step).collect())
}

/// A transition in words.
pub(in crate::pages) fn what(kind: &str) -> String {
    Event::from_name(kind).map_or_else(|| kind.to_owned(), |event| event.title().to_owned())
}
