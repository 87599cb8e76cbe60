//! Acknowledging from a message, without signing in: the page behind the link, and what its button does.
//!
//! Looking changes nothing, for programs open links in mail before people do. What the link may do is in [`crate::notification::answer`].

#[cfg(test)]
mod tests;

use std::{net::IpAddr, time::Instant};

use axum::{
    Router,
    extract::{Path, State},
    http::{HeaderName, HeaderValue, StatusCode},
    response::{IntoResponse, Response},
    routing::get,
};
use chrono::{DateTime, Utc};
use regulator::conditions::{Condition, Priority};
use sqlx::{Acquire, PgConnection};
use web::{
    answer::{Alarm, AnswerPage, Standing},
    frame::{Frame, Section},
};

use super::{html, sign_in::Source};
use crate::{
    alarms::desk::{Deed, Hand, act},
    app::App,
    error::WebError,
    notification::answer::{self, Named},
};

pub(super) fn routes() -> Router<App> {
    Router::new().route("/answer/{token}", get(show).post(acknowledge))
}

async fn show(
    State(app): State<App>,
    Source(source): Source,
    Path(token): Path<String>,
) -> Result<Response, WebError> {
    let mut db = app.pool.acquire().await?;
    let named = named(&app, &mut db, &token, source).await?;
    match find(&mut db, named, Utc::now()).await? {
        Some(found) => page(Some(found.alarm), found.standing),
        None => page(None, Standing::Unknown),
    }
}

async fn acknowledge(
    State(app): State<App>,
    Source(source): Source,
    Path(token): Path<String>,
) -> Result<Response, WebError> {
    let mut db = app.pool.acquire().await?;
    let named = named(&app, &mut db, &token, source).await?;
    let now = Utc::now();
    let mut tx = db.begin().await?;
    let Some(mut found) = find(&mut tx, named, now).await? else {
        return page(None, Standing::Unknown);
    };
    if let Standing::Open { name } = &found.standing {
        let why = format!("from the {}", found.way);
        let hand = Hand { person: name, at: now, why: Some(&why) };
        found.standing = match act(&mut tx, found.alarm.id, Deed::Acknowledge, hand).await? {
            Some(Ok(())) => {
                sqlx::query!(
                    "update notification set answered_at = $2 where id = $1",
                    found.notification_id,
                    now
                )
                .execute(&mut *tx)
                .await?;
                Standing::Done { at: now }
            }
            _ => Standing::Nothing,
        };
        tx.commit().await?;
    }
    page(Some(found.alarm), found.standing)
}

/// What a link names, if we have made it. Counted as attempts to sign in are: for the link; and for where it comes from if it is none of ours, so that
/// in a storm nobody is kept from acknowledging who sits behind the same proxy as others.
async fn named(
    app: &App,
    db: &mut PgConnection,
    token: &str,
    source: Option<IpAddr>,
) -> Result<Option<Named>, WebError> {
    let named = answer::read(&answer::key(db).await?, token);
    let counted = source.filter(|_| named.is_none());
    app.gate.limiter.attempt(&format!("answer {token}"), counted, Instant::now()).map_err(|refused| {
        WebError::TooMany {
            what: format!(
                "Too many attempts. Wait {} min and try again.",
                refused.wait.as_secs().div_ceil(60).max(1)
            ),
            retry_after_s: refused.wait.as_secs(),
        }
    })?;
    Ok(named)
}

fn page(alarm: Option<Alarm>, standing: Standing) -> Result<Response, WebError> {
    let status = match standing {
        Standing::Unknown => StatusCode::NOT_FOUND,
        Standing::Expired => StatusCode::GONE,
        Standing::NotYours => StatusCode::FORBIDDEN,
        _ => StatusCode::OK,
    };
    let title =
        alarm.as_ref().map_or_else(|| "Answer".to_owned(), |alarm| alarm.condition.title().to_owned());
    let frame = Frame { title, section: Section::None, viewer: None, notice: None };
    let mut response = (status, html(&AnswerPage { frame, alarm, standing })?).into_response();
    let robots = HeaderName::from_static("x-robots-tag");
    response.headers_mut().insert(robots, HeaderValue::from_static("noindex, nofollow"));
    Ok(response)
}

/// What a link leads to.
struct Found {
    notification_id: i64,
    alarm: Alarm,
    standing: Standing,
    /// By which way the message came.
    way: &'static str,
}

async fn find(
    db: &mut PgConnection,
    named: Option<Named>,
    now: DateTime<Utc>,
) -> Result<Option<Found>, WebError> {
    let Some(Named { notification_id, until }) = named else { return Ok(None) };
    let Some(row) = sqlx::query!(
        r#"select n.way, n.answered_at, r.name as recipient, r.disabled_at is not null as "disabled!",
             p.name as "person?", (p.disabled_at is not null or p.role = 'view') is true as "may_not!",
             a.id as "alarm_id!", a.condition as "condition!", a.priority as "priority!", a.place as "place!",
             a.summary as "summary!", a.raised_at as "raised_at!", a.returned_at, a.time_zone as "time_zone!",
             a.acknowledged_at, a.acknowledged_by
           from notification n
           join recipient r on r.id = n.recipient_id
           left join person p on p.id = r.person_id
           join alarm_shown a on a.id = n.alarm_id
           where n.id = $1"#,
        notification_id
    )
    .fetch_optional(db)
    .await?
    else {
        return Ok(None);
    };
    let Some(condition) = Condition::from_name(&row.condition) else { return Ok(None) };
    let standing = match (row.answered_at, row.acknowledged_at) {
        (Some(at), _) => Standing::Done { at },
        (None, Some(at)) => {
            Standing::Already { by: row.acknowledged_by.unwrap_or_else(|| "Somebody".to_owned()), at }
        }
        _ if until <= now => Standing::Expired,
        _ if row.disabled || row.may_not => Standing::NotYours,
        _ => Standing::Open { name: row.person.unwrap_or(row.recipient) },
    };
    let alarm = Alarm {
        id: row.alarm_id,
        condition,
        priority: Priority::from_level(row.priority).unwrap_or(Priority::High),
        place: row.place,
        summary: row.summary,
        raised_at: row.raised_at,
        returned_at: row.returned_at,
        zone: row.time_zone.parse().unwrap_or(chrono_tz::UTC),
    };
    let way = crate::notification::Way::from_name(&row.way).map_or("message", |way| way.title());
    Ok(Some(Found { notification_id, alarm, standing, way }))
}
