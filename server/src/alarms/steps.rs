//! The rows of `alarm_transition`: every step, with who, when and why.

use regulator::{
    Timestamp,
    alarms::{Effect, Hold, Holds, Life},
};
use serde_json::Value;
use sqlx::PgConnection;

use super::{act::Act, occurrences::evidence};

/// One step that was taken.
#[derive(Debug)]
pub(super) struct Step {
    pub(super) point: i64,
    /// The occurrence that it belongs to, if one stands or is unacknowledged.
    pub(super) alarm: Option<i64>,
    pub(super) act: Act,
    /// Where it led.
    pub(super) life: Life,
    pub(super) effect: Effect,
}

/// Writes them; returns their ids in the same order.
pub(super) async fn insert(connection: &mut PgConnection, steps: &[Step]) -> sqlx::Result<Vec<i64>> {
    let holds: Vec<String> = steps.iter().map(|s| names(s.life.holds).join(" ")).collect();
    let rows = sqlx::query_scalar!(
        "insert into alarm_transition (point_id, alarm_id, kind, at, person, note, evidence, process, holds, until)
            select point_id, alarm_id, kind, at, person, note, evidence, process, string_to_array(holds, ' '), until
            from unnest($1::bigint[], $2::bigint[], $3::text[], $4::timestamptz[], $5::text[], $6::text[], $7::jsonb[], $8::text[],
                    $9::text[], $10::timestamptz[]) with ordinality
                t(point_id, alarm_id, kind, at, person, note, evidence, process, holds, until, nr)
            order by nr
            returning id",
        &steps.iter().map(|s| s.point).collect::<Vec<_>>(),
        &steps.iter().map(|s| s.alarm).collect::<Vec<_>>() as &[Option<i64>],
        &steps.iter().map(|s| s.act.event.name().to_owned()).collect::<Vec<_>>(),
        &steps.iter().map(|s| s.act.at).collect::<Vec<Timestamp>>(),
        &steps.iter().map(|s| s.act.person.clone()).collect::<Vec<_>>() as &[Option<String>],
        &steps.iter().map(|s| s.act.why.clone()).collect::<Vec<_>>() as &[Option<String>],
        &steps.iter().map(|s| evidence(&s.act.facts)).collect::<Vec<Value>>(),
        &steps.iter().map(|s| s.life.process.name().to_owned()).collect::<Vec<_>>(),
        &holds,
        &steps.iter().map(|s| s.act.until).collect::<Vec<_>>() as &[Option<Timestamp>],
    )
    .fetch_all(connection)
    .await?;
    Ok(rows)
}

/// The holds that are on, by the names of the table.
pub(super) fn names(holds: Holds) -> Vec<&'static str> {
    let name = |hold: &Hold| match hold {
        Hold::Shelf => "shelf",
        Hold::Silence => "silence",
        Hold::Maintenance => "maintenance",
        Hold::OutOfService => "out_of_service",
    };
    Hold::ALL.iter().filter(|h| holds.has(**h)).map(name).collect()
}
