//! Alarms that were open at some time within a stretch.

use regulator::{
    Timestamp,
    conditions::{Condition, Priority},
};
use serde::Serialize;
use sqlx::PgConnection;
use web::board::State;

use super::Subject;

/// More would hide one another on the axis; the list of alarms has them all.
const MOST: i64 = 500;

/// One alarm on the axis.
#[derive(Debug, Clone, Serialize)]
pub(crate) struct Occurrence {
    pub(crate) id: i64,
    /// Which regulators it concerns.
    pub(crate) regulators: Vec<i32>,
    /// Their names.
    pub(crate) whose: String,
    pub(crate) title: &'static str,
    pub(crate) level: &'static str,
    pub(crate) word: &'static str,
    /// Milliseconds since 1970.
    pub(crate) raised: i64,
    /// The same; nothing while it is open.
    pub(crate) returned: Option<i64>,
    pub(crate) summary: String,
}

/// Alarms of these regulators, or of the endpoints that they are polled through, newest first.
///
/// # Errors
/// When the database cannot be asked.
pub(crate) async fn alarms(
    connection: &mut PgConnection,
    subjects: &[Subject],
    (from, to): (Timestamp, Timestamp),
) -> sqlx::Result<Vec<Occurrence>> {
    let regulators: Vec<i32> = subjects.iter().map(|s| s.id).collect();
    let endpoints: Vec<i32> = subjects.iter().map(|s| s.endpoint_id).collect();
    let rows = sqlx::query!(
        "select id, condition, regulator_id, endpoint_id, priority, raised_at, returned_at, summary from alarm
            where (regulator_id = any($1) or endpoint_id = any($2)) and raised_at < $4 and (returned_at is null or returned_at > $3)
            order by raised_at desc limit $5",
        &regulators,
        &endpoints,
        from,
        to,
        MOST
    )
    .fetch_all(connection)
    .await?;
    let known = rows.into_iter().filter_map(|row| {
        let condition = Condition::from_name(&row.condition)?;
        let state = State::of_alarm(Priority::from_level(row.priority)?);
        let concerns =
            |s: &&Subject| row.regulator_id == Some(s.id) || row.endpoint_id == Some(s.endpoint_id);
        let names: Vec<_> = subjects.iter().filter(concerns).map(|s| s.name.as_str()).collect();
        Some(Occurrence {
            id: row.id,
            regulators: subjects.iter().filter(concerns).map(|s| s.id).collect(),
            whose: names.join(", "),
            title: condition.title(),
            level: state.level(),
            word: state.word(),
            raised: row.raised_at.timestamp_millis(),
            returned: row.returned_at.map(|at| at.timestamp_millis()),
            summary: row.summary,
        })
    });
    Ok(known.collect())
}
