//! What a drill needs to play a night: alarms that are raised, acknowledged and return at given times, and the clock that the server's leader keeps.
//! For whole-system tests; the program itself does not use it.

use anyhow::{Context, Result};
use regulator::{Timestamp, alarms::Event, conditions::Condition};
use sqlx::{Acquire, PgConnection};

use crate::{
    alarms::{
        self, Act, Place,
        desk::{Deed, Hand, act},
    },
    notification,
};

/// What time does to alarms and to those who are called about them, up to `now`.
///
/// # Errors
/// When the database fails.
pub async fn tick(connection: &mut PgConnection, now: Timestamp) -> Result<()> {
    alarms::clock::tick(connection, now).await
}

/// Raises an alarm of a regulator, as detection would, and returns its number.
///
/// # Errors
/// When the database fails, or there is such an alarm already.
pub async fn raise(
    connection: &mut PgConnection,
    regulator: i32,
    condition: Condition,
    at: Timestamp,
) -> Result<i64> {
    let raise = Act {
        summary: "raised in a drill".to_owned(),
        ..Act::new(Place::Regulator(regulator), condition, Event::Raise, at)
    };
    take(&mut *connection, raise).await?;
    sqlx::query_scalar!(
        "select id from alarm where regulator_id = $1 and condition = $2 and raised_at = $3",
        regulator,
        condition.name(),
        at
    )
    .fetch_optional(connection)
    .await?
    .context("it is raised already")
}

/// Lets it return to normal.
///
/// # Errors
/// When the database fails.
pub async fn give_back(
    connection: &mut PgConnection,
    regulator: i32,
    condition: Condition,
    at: Timestamp,
) -> Result<()> {
    take(connection, Act::new(Place::Regulator(regulator), condition, Event::Return, at)).await
}

async fn take(connection: &mut PgConnection, act: Act) -> Result<()> {
    let mut tx = connection.begin().await?;
    let recorded = alarms::record(&mut tx, vec![act], None).await?;
    notification::tell(&mut tx, &recorded).await?;
    Ok(tx.commit().await?)
}

/// Acknowledges an alarm. Whether there was something to acknowledge.
///
/// # Errors
/// When the database fails.
pub async fn acknowledge(
    connection: &mut PgConnection,
    alarm: i64,
    person: &str,
    at: Timestamp,
) -> Result<bool> {
    let done = act(connection, alarm, Deed::Acknowledge, Hand { person, at, why: None }).await?;
    Ok(matches!(done, Some(Ok(()))))
}
