//! The recorded steps, replayed through the table of states, give the present states: what does not is told.

use std::collections::BTreeMap;

use regulator::alarms::{Event, Hold, Holds, Life, Process};
use sqlx::PgConnection;

/// Replays every step and compares; one line for each difference, none if all is well.
///
/// # Errors
/// When the database fails.
pub async fn differences(connection: &mut PgConnection) -> sqlx::Result<Vec<String>> {
    let steps = sqlx::query!(
        r#"select point_id as "point_id!", kind, process, holds from alarm_transition where point_id is not null order by id"#
    )
    .fetch_all(&mut *connection)
    .await?;
    let mut lives: BTreeMap<i64, Life> = BTreeMap::new();
    let mut differences = vec![];
    for step in steps {
        let life = lives.entry(step.point_id).or_default();
        let Some(event) = Event::from_name(&step.kind) else { continue };
        match life.take(event) {
            Ok(taken) => *life = taken.to,
            Err(why) => differences
                .push(format!("point {}: {} has no meaning there: {why}", step.point_id, step.kind)),
        }
        let holds = super::steps::names(life.holds);
        // Steps from before they carried the state have none.
        if step.process.is_some_and(|p| p != life.process.name()) || step.holds.is_some_and(|h| h != holds) {
            differences.push(format!("point {}: {} led elsewhere than recorded", step.point_id, step.kind));
        }
    }
    let rows = sqlx::query!(
        r#"select id, process, shelved_until is not null as "shelf!", silent_why is not null as "silence!",
            maintenance_why is not null as "maintenance!", out_of_service_at is not null as "out!" from alarm_point order by id"#
    )
    .fetch_all(connection)
    .await?;
    for row in rows {
        let on = [
            (Hold::Shelf, row.shelf),
            (Hold::Silence, row.silence),
            (Hold::Maintenance, row.maintenance),
            (Hold::OutOfService, row.out),
        ];
        let holds = on.into_iter().filter(|(_, on)| *on).fold(Holds::NONE, |all, (hold, _)| all.with(hold));
        let present = Process::from_name(&row.process).map(|process| Life { process, holds });
        let replayed = lives.remove(&row.id).unwrap_or_default();
        if present != Some(replayed) {
            differences.push(format!("point {}: replayed {replayed:?}, present {present:?}", row.id));
        }
    }
    Ok(differences)
}
