//! What has stopped, found from signs of life, from what waits, and from what has been done.

use anyhow::Result;
use chrono::TimeDelta;
use regulator::{
    Timestamp,
    conditions::{Condition, PartDetector, Work},
};
use sqlx::{Connection, PgConnection};

use super::Part;
use crate::{
    alarms::{Act, Place, record},
    detection::Thresholds,
    notification,
};

/// A part that has given no sign for so long is taken to stand still.
const SILENT: TimeDelta = TimeDelta::seconds(30);
/// Messages that have been due for so long are waiting for someone to take them.
const OVERDUE: TimeDelta = TimeDelta::seconds(60);

/// One look, in one transaction: alarms are raised and return as the parts stop and go on.
pub(super) async fn look(connection: &mut PgConnection, now: Timestamp) -> Result<()> {
    let mut tx = connection.begin().await?;
    let settings = Thresholds::load(&mut tx).await?.of_fleet();
    let mut acts = vec![];
    for (condition, part, work) in [
        (Condition::DetectionStopped, "detection", detection(&mut tx, now).await?),
        (Condition::DeliveryStopped, "delivery", delivery(&mut tx, now).await?),
        (Condition::MessagesUndelivered, "delivery", undelivered(&mut tx).await?),
    ] {
        let mut detector = load(&mut tx, condition).await?;
        let before = detector.clone();
        let transitions = detector.observe(&settings, condition, now, work);
        acts.extend(transitions.into_iter().map(|t| Act::told(Place::Part(part.to_owned()), t)));
        if detector != before {
            save(&mut tx, condition, &detector).await?;
        }
    }
    let recorded = record(&mut tx, acts, None).await?;
    notification::tell(&mut tx, &recorded).await?;
    tx.commit().await?;
    Ok(())
}

/// Since when the part has given no sign; one that never gave any begins now.
pub(super) async fn life(
    connection: &mut PgConnection,
    part: Part,
    now: Timestamp,
) -> sqlx::Result<Timestamp> {
    let at = sqlx::query_scalar!("select at from part_life where part = $1", part.name())
        .fetch_optional(&mut *connection)
        .await?;
    if let Some(at) = at {
        return Ok(at);
    }
    sqlx::query!("insert into part_life (part, at) values ($1, $2) on conflict do nothing", part.name(), now)
        .execute(connection)
        .await?;
    Ok(now)
}

pub(super) fn is_silent(at: Timestamp, now: Timestamp) -> bool {
    now - at > SILENT
}

async fn detection(connection: &mut PgConnection, now: Timestamp) -> sqlx::Result<Work> {
    let alive_at = life(&mut *connection, Part::Detection, now).await?;
    let row = sqlx::query!(
        r#"select coalesce((select batch_id from feed_cursor where follower = 'detection'), 0) as "cursor!",
                coalesce((select max(id) from reading_batch), 0) as "last!""#
    )
    .fetch_one(connection)
    .await?;
    let waiting = row.last - row.cursor;
    Ok(if waiting > 0 {
        Work { waiting: waiting.unsigned_abs(), done: row.cursor.unsigned_abs() }
    } else {
        sign(alive_at, now)
    })
}

/// Of a part that has nothing to do, its signs of life are what it does.
fn sign(alive_at: Timestamp, now: Timestamp) -> Work {
    Work { waiting: u64::from(is_silent(alive_at, now)), done: alive_at.timestamp().unsigned_abs() }
}

/// Messages that are due by a way on which nothing is attempted; or a lane, or the clock that calls the next level, without a sign
/// of life.
async fn delivery(connection: &mut PgConnection, now: Timestamp) -> sqlx::Result<Work> {
    let lane = life(&mut *connection, Part::Delivery, now).await?;
    let clock = life(&mut *connection, Part::Clock, now).await?;
    let row = sqlx::query!(
        r#"with overdue as (
             select way, count(*) as n from notification
             where state in ('waiting', 'sending') and next_attempt_at < $1 group by way)
           select coalesce((select sum(n) from overdue)::bigint, 0) as "waiting!",
             (select max(a.at) from (select * from notification_attempt order by id desc limit 1000) a
              join notification m on m.id = a.notification_id where m.way in (select way from overdue)) as attempted_at"#,
        now - OVERDUE
    )
    .fetch_one(connection)
    .await?;
    Ok(if row.waiting > 0 {
        let attempted = row.attempted_at.map_or(0, |at| at.timestamp_micros());
        Work { waiting: row.waiting.unsigned_abs(), done: attempted.unsigned_abs() }
    } else {
        sign(lane.min(clock), now)
    })
}

async fn undelivered(connection: &mut PgConnection) -> sqlx::Result<Work> {
    let count = sqlx::query_scalar!(
        r#"select count(*) as "n!" from notification where state = 'given_up' and dismissed_at is null"#
    )
    .fetch_one(connection)
    .await?;
    Ok(Work::list(count.unsigned_abs()))
}

async fn load(connection: &mut PgConnection, condition: Condition) -> sqlx::Result<PartDetector> {
    let state =
        sqlx::query_scalar!("select state from watchdog_state where condition = $1", condition.name())
            .fetch_optional(connection)
            .await?;
    // One that does not read starts afresh; the table of alarms keeps what stands from being raised twice.
    Ok(state.and_then(|text| serde_json::from_str(&text).ok()).unwrap_or_default())
}

async fn save(connection: &mut PgConnection, condition: Condition, state: &PartDetector) -> Result<()> {
    sqlx::query!(
        "insert into watchdog_state (condition, state) values ($1, $2)
            on conflict (condition) do update set state = excluded.state",
        condition.name(),
        serde_json::to_string(state)?
    )
    .execute(connection)
    .await?;
    Ok(())
}
