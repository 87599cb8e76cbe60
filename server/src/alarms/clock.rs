//! What time alone does to alarms: shelving ends, maintenance windows open and close, what was acknowledged long ago is raised
//! again.
//!
//! One server at a time runs [`run`]; [`tick`] takes the time as an argument, so that a night can be played in a test.

use std::time::Duration;

use anyhow::{Context, Result};
use regulator::{
    Timestamp,
    alarms::{Event, Hold, Process},
    conditions::Condition,
};
use sqlx::{Connection, PgConnection, PgPool};
use tokio_util::sync::CancellationToken;

use super::{Act, Columns, Place, maintenance::Windows, record};
use crate::{locks, notification, watchdog};

/// How often to look.
const EVERY: Duration = Duration::from_secs(1);

/// Ticks every second until told to stop, on one server at a time.
pub(crate) async fn run(pool: PgPool, stop: CancellationToken) {
    let mut failing = false;
    while !stop.is_cancelled() {
        let led = lead(&pool, &stop).await;
        if let Err(error) = &led
            && !failing
        {
            tracing::warn!(
                error = format!("{error:#}"),
                "the clock of the alarms stands still; trying again"
            );
        }
        failing = led.is_err();
        tokio::select! {
            () = tokio::time::sleep(EVERY) => {}
            () = stop.cancelled() => {}
        }
    }
}

async fn lead(pool: &PgPool, stop: &CancellationToken) -> Result<()> {
    let Some(mut connection) = locks::lead(pool, locks::CLOCK).await? else { return Ok(()) };
    while !stop.is_cancelled() {
        // The database's clock: of two servers only one can be right.
        let now =
            sqlx::query_scalar!(r#"select clock_timestamp() as "now!""#).fetch_one(&mut connection).await?;
        tick(&mut connection, now).await.context("a tick")?;
        tokio::select! {
            () = tokio::time::sleep(EVERY) => {}
            () = stop.cancelled() => {}
        }
    }
    connection.close().await.context("closing the connection")
}

/// Does what is due by `now`, in one transaction.
///
/// # Errors
/// When the database fails; nothing has happened then.
pub(crate) async fn tick(connection: &mut PgConnection, now: Timestamp) -> Result<()> {
    let mut tx = connection.begin().await?;
    let mut acts = off_the_shelf(&mut tx, now).await?;
    acts.extend(windows(&mut tx, now).await?);
    acts.extend(again(&mut tx, now).await?);
    if !acts.is_empty() {
        let recorded = record(&mut tx, acts, None).await?;
        notification::tell(&mut tx, &recorded).await?;
    }
    notification::tick(&mut tx, now).await?;
    watchdog::alive(&mut tx, watchdog::Part::Clock).await?;
    tx.commit().await?;
    Ok(())
}

/// A row as an alarm's name.
macro_rules! alarm_of {
    ($row:expr) => {{
        let columns = Columns {
            regulator_id: $row.regulator_id,
            endpoint_id: $row.endpoint_id,
            poller: $row.poller,
            substation_id: $row.substation_id,
            part: $row.part,
        };
        Option::<Place>::from(columns).zip(Condition::from_name(&$row.condition))
    }};
}

async fn off_the_shelf(db: &mut PgConnection, now: Timestamp) -> sqlx::Result<Vec<Act>> {
    let rows = sqlx::query!(
        r#"select condition, regulator_id, endpoint_id, poller, substation_id, part, shelved_until as "until!"
            from alarm_point where shelved_until <= $1"#,
        now
    )
    .fetch_all(db)
    .await?;
    let acts = rows.into_iter().filter_map(|row| {
        let (place, condition) = alarm_of!(row)?;
        Some(
            Act::new(place, condition, Event::End(Hold::Shelf), row.until)
                .because("its time on the shelf is over"),
        )
    });
    Ok(acts.collect())
}

/// What stands in a window that is open is held, what is held and in none any more is not.
async fn windows(db: &mut PgConnection, now: Timestamp) -> sqlx::Result<Vec<Act>> {
    let windows = Windows::load(&mut *db, now, now).await?;
    let rows = if windows.are_none() {
        sqlx::query_as!(
            Held,
            r#"select condition, regulator_id, endpoint_id, poller, substation_id, part, process, true as "held!"
                from alarm_point where held and maintenance_why is not null"#
        )
        .fetch_all(db)
        .await?
    } else {
        sqlx::query_as!(
            Held,
            r#"select condition, regulator_id, endpoint_id, poller, substation_id, part, process,
                    maintenance_why is not null as "held!"
                from alarm_point where process <> 'normal' or maintenance_why is not null"#
        )
        .fetch_all(db)
        .await?
    };
    let mut acts = vec![];
    for row in rows {
        let active = Process::from_name(&row.process).is_some_and(Process::is_active);
        let held = row.held;
        let Some((place, condition)) = alarm_of!(row) else { continue };
        let why = windows.why(&place, now).map(str::to_owned);
        let (event, why) = match (why, held) {
            (Some(why), false) if active => (Event::Begin(Hold::Maintenance), why),
            (None, true) => (Event::End(Hold::Maintenance), "the maintenance window is over".to_owned()),
            _ => continue,
        };
        acts.push(Act::new(place, condition, event, now).because(why));
    }
    Ok(acts)
}

struct Held {
    condition: String,
    regulator_id: Option<i32>,
    endpoint_id: Option<i32>,
    poller: Option<String>,
    substation_id: Option<i32>,
    part: Option<String>,
    process: String,
    held: bool,
}

/// What was acknowledged longer ago than its priority allows, and still stands.
async fn again(db: &mut PgConnection, now: Timestamp) -> sqlx::Result<Vec<Act>> {
    let rows = sqlx::query!(
        r#"select p.condition, p.regulator_id, p.endpoint_id, p.poller, p.substation_id, p.part,
                a.acknowledged_at + make_interval(secs => u.again_after_s) as "at!"
            from alarm_point p join alarm a on a.id = p.alarm_id join alarm_rule u on u.priority = a.priority
            where p.process = 'acknowledged' and not p.held and a.returned_at is null
              and a.acknowledged_at + make_interval(secs => u.again_after_s) <= $1"#,
        now
    )
    .fetch_all(db)
    .await?;
    let acts = rows.into_iter().filter_map(|row| {
        let (place, condition) = alarm_of!(row)?;
        Some(
            Act::new(place, condition, Event::ReAlarm, row.at)
                .because("acknowledged, and nothing has changed since"),
        )
    });
    Ok(acts.collect())
}
