//! Open alarms, as the picture holds them.

use std::collections::{HashMap, HashSet};

use regulator::{
    Timestamp,
    alarms::State,
    conditions::{Condition, Priority},
};
use sqlx::PgConnection;

/// An alarm whose condition is still true.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OpenAlarm {
    /// Its number.
    pub id: i64,
    /// What is wrong.
    pub condition: Condition,
    /// How urgent it is.
    pub priority: Priority,
    /// When it was raised, by the readings' clock.
    pub raised_at: Timestamp,
    /// One line with the numbers.
    pub summary: String,
    /// Someone has acknowledged it.
    pub acknowledged: bool,
    /// What keeps it from people, if anything does.
    pub held: Option<State>,
}

/// Every open alarm by what it is about, each list most urgent first.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct OpenAlarms {
    pub(super) of_regulator: HashMap<i32, Vec<OpenAlarm>>,
    pub(super) of_endpoint: HashMap<i32, Vec<OpenAlarm>>,
    pub(super) of_poller: HashMap<String, Vec<OpenAlarm>>,
    pub(super) of_substation: HashMap<i32, Vec<OpenAlarm>>,
    pub(super) of_part: Vec<OpenAlarm>,
    /// Regulators of which a maintenance window is open.
    pub(super) under_maintenance: HashSet<i32>,
}

/// Reads them.
pub(super) async fn open(connection: &mut PgConnection) -> sqlx::Result<OpenAlarms> {
    let rows = sqlx::query!(
        r#"select a.id, a.condition, a.regulator_id, a.endpoint_id, a.poller, a.substation_id, a.priority, a.raised_at, a.summary,
                a.acknowledged_at is not null as "acknowledged!",
                p.out_of_service_at is not null as "out!",
                num_nonnulls(p.silent_why, p.maintenance_why) > 0 as "suppressed!", p.shelved_until is not null as "shelved!"
            from alarm a left join alarm_point p on p.id = a.point_id
            where a.returned_at is null
            order by a.priority desc, a.raised_at"#
    )
    .fetch_all(&mut *connection)
    .await?;
    let mut open =
        OpenAlarms { under_maintenance: under_maintenance(connection).await?, ..OpenAlarms::default() };
    for row in rows {
        // An alarm of a condition that this program does not know was raised by a newer one, which then also shows it.
        let known = Condition::from_name(&row.condition).zip(Priority::from_level(row.priority));
        let Some((condition, priority)) = known else { continue };
        let alarm = OpenAlarm {
            id: row.id,
            condition,
            priority,
            raised_at: row.raised_at,
            summary: row.summary,
            acknowledged: row.acknowledged,
            held: match (row.out, row.suppressed, row.shelved) {
                (true, ..) => Some(State::OutOfService),
                (_, true, _) => Some(State::SuppressedByDesign),
                (.., true) => Some(State::Shelved),
                _ => None,
            },
        };
        match (row.regulator_id, row.endpoint_id, row.poller, row.substation_id) {
            (Some(id), ..) => open.of_regulator.entry(id).or_default().push(alarm),
            (_, Some(id), ..) => open.of_endpoint.entry(id).or_default().push(alarm),
            (_, _, Some(name), _) => open.of_poller.entry(name).or_default().push(alarm),
            (.., Some(id)) => open.of_substation.entry(id).or_default().push(alarm),
            _ => open.of_part.push(alarm),
        }
    }
    Ok(open)
}

/// Most often there is no window, and nothing is joined.
async fn under_maintenance(connection: &mut PgConnection) -> sqlx::Result<HashSet<i32>> {
    let ids = sqlx::query_scalar!(
        "select r.id from maintenance_window w
         cross join lateral (
            select r.id from regulator r join bank b on b.id = r.bank_id join site s on s.id = b.site_id join feeder f on f.id = s.feeder_id
            where w.scope_id = case w.scope_kind when 'regulator' then r.id when 'site' then s.id when 'feeder' then f.id
                                                 else f.substation_id end) r
         where w.to_at > clock_timestamp() and w.from_at <= clock_timestamp() and (w.ended_at is null or w.ended_at > clock_timestamp())"
    )
    .fetch_all(connection)
    .await?;
    Ok(ids.into_iter().collect())
}
