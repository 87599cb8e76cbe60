//! The present state of each alarm: the rows of `alarm_point`, locked, changed and stored.

use std::collections::{HashMap, HashSet};

use regulator::{
    Timestamp,
    alarms::{Hold, Holds, Life, Process},
    conditions::Condition,
};
use sqlx::PgConnection;

use super::place::{ColumnArrays, Columns, Place};

/// Which alarm.
pub(super) type Key = (Place, Condition);

/// One alarm's present.
#[derive(Debug, Clone)]
pub(super) struct Point {
    pub(super) id: i64,
    pub(super) process: Process,
    /// Its latest occurrence.
    pub(super) alarm: Option<Occurrence>,
    pub(super) shelf: Option<Shelf>,
    pub(super) silent_why: Option<String>,
    pub(super) maintenance_why: Option<String>,
    pub(super) out_of_service: Option<Out>,
    /// Whether it is to be stored.
    pub(super) changed: bool,
}

#[derive(Debug, Clone, Copy)]
pub(super) struct Occurrence {
    pub(super) id: i64,
    pub(super) raised_at: Timestamp,
}

#[derive(Debug, Clone)]
pub(super) struct Shelf {
    pub(super) until: Timestamp,
    pub(super) by: String,
    pub(super) why: String,
}

#[derive(Debug, Clone)]
pub(super) struct Out {
    pub(super) at: Timestamp,
    pub(super) by: String,
    pub(super) why: String,
}

impl Point {
    pub(super) fn life(&self) -> Life {
        let on = [
            (Hold::Shelf, self.shelf.is_some()),
            (Hold::Silence, self.silent_why.is_some()),
            (Hold::Maintenance, self.maintenance_why.is_some()),
            (Hold::OutOfService, self.out_of_service.is_some()),
        ];
        let holds = on.into_iter().filter(|(_, on)| *on).fold(Holds::NONE, |all, (hold, _)| all.with(hold));
        Life { process: self.process, holds }
    }

    /// What holds it, in words for the record of an alarm that is raised behind it.
    pub(super) fn held_why(&self) -> Option<String> {
        let shelf = self.shelf.as_ref().map(|s| format!("shelved by {}: {}", s.by, s.why));
        let out = self.out_of_service.as_ref().map(|o| format!("out of service by {}: {}", o.by, o.why));
        let maintenance = self.maintenance_why.as_ref().map(|why| format!("under maintenance: {why}"));
        let silent = self.silent_why.as_ref().map(|why| format!("suppressed by design: {why}"));
        let all: Vec<String> = [out, maintenance, silent, shelf].into_iter().flatten().collect();
        (!all.is_empty()).then(|| all.join("; "))
    }

    /// Whether a return as of `at` is its present occurrence's. An earlier one is that of an earlier occurrence, when conditions are run
    /// again from an earlier cursor; unless it is this occurrence's time that cannot be, for it lies in the future.
    pub(super) fn ends_with(&self, at: Timestamp) -> bool {
        self.alarm.is_none_or(|o| at >= o.raised_at || o.raised_at > chrono::Utc::now())
    }
}

/// Locks the points of these alarms, in the order of their ids, and makes those that are missing.
pub(super) async fn lock(
    connection: &mut PgConnection,
    keys: &HashSet<Key>,
) -> sqlx::Result<HashMap<Key, Point>> {
    let mut sorted: Vec<&Key> = keys.iter().collect();
    sorted.sort();
    make(connection, &sorted).await?;
    let conditions: Vec<String> = sorted.iter().map(|k| k.1.name().to_owned()).collect();
    let places: Vec<String> = sorted.iter().map(|k| k.0.key()).collect();
    let rows = sqlx::query_as!(
        Row,
        "select p.id, p.condition, p.regulator_id, p.endpoint_id, p.poller, p.substation_id, p.part, p.process, p.alarm_id,
                (select raised_at from alarm a where a.id = p.alarm_id) as raised_at, p.shelved_until, p.shelved_by,
                p.shelved_why, p.silent_why, p.maintenance_why, p.out_of_service_at, p.out_of_service_by,
                p.out_of_service_why
            from alarm_point p join unnest($1::text[], $2::text[]) k(condition, place_key) using (condition, place_key)
            order by p.id for update of p",
        &conditions,
        &places
    )
    .fetch_all(connection)
    .await?;
    Ok(rows.into_iter().filter_map(Row::point).collect())
}

/// Locks those of these conditions that stand, or are suppressed by a silence.
pub(super) async fn lock_standing(
    connection: &mut PgConnection,
    conditions: &[String],
) -> sqlx::Result<HashMap<Key, Point>> {
    let rows = sqlx::query_as!(
        Row,
        "select p.id, p.condition, p.regulator_id, p.endpoint_id, p.poller, p.substation_id, p.part, p.process, p.alarm_id,
                (select raised_at from alarm a where a.id = p.alarm_id) as raised_at, p.shelved_until, p.shelved_by,
                p.shelved_why, p.silent_why, p.maintenance_why, p.out_of_service_at, p.out_of_service_by,
                p.out_of_service_why
            from alarm_point p
            where p.condition = any($1)
              and (p.process in ('unannounced', 'unacknowledged', 'acknowledged') or p.silent_why is not null)
            order by p.id for update of p",
        conditions
    )
    .fetch_all(connection)
    .await?;
    Ok(rows.into_iter().filter_map(Row::point).collect())
}

/// Makes the points that are missing. One for which there are alarms already (written by an older program) begins as the latest
/// of them stands.
async fn make(connection: &mut PgConnection, keys: &[&Key]) -> sqlx::Result<()> {
    let conditions: Vec<String> = keys.iter().map(|k| k.1.name().to_owned()).collect();
    let names: Vec<String> = keys.iter().map(|k| k.0.key()).collect();
    let places: ColumnArrays = keys.iter().map(|k| &k.0).collect();
    let made = sqlx::query!(
        "insert into alarm_point (condition, regulator_id, endpoint_id, poller, substation_id, part, process, alarm_id)
            select k.condition, k.regulator_id, k.endpoint_id, k.poller, k.substation_id, k.part,
                case when a.id is null then 'normal'
                     when a.returned_at is null then case when a.acknowledged_at is null then 'unacknowledged' else 'acknowledged' end
                     when a.acknowledged_at is null and a.announced_at is not null then 'returned'
                     else 'normal' end,
                a.id
            from unnest($1::text[], $2::text[], $3::integer[], $4::integer[], $5::text[], $6::integer[], $7::text[])
                    with ordinality k(condition, place_key, regulator_id, endpoint_id, poller, substation_id, part, nr)
            left join lateral (
                select id, returned_at, acknowledged_at, announced_at from alarm
                where condition = k.condition and place_key = k.place_key order by raised_at desc, id desc limit 1) a on true
            where not exists (select from alarm_point p where p.condition = k.condition and p.place_key = k.place_key)
            order by k.nr
            on conflict (condition, place_key) do nothing
            returning id, condition, place_key, alarm_id",
        &conditions,
        &names,
        &places.regulators as &[Option<i32>],
        &places.endpoints as &[Option<i32>],
        &places.pollers as &[Option<String>],
        &places.substations as &[Option<i32>],
        &places.parts as &[Option<String>],
    )
    .fetch_all(&mut *connection)
    .await?;
    let adopting: Vec<_> = made.into_iter().filter(|row| row.alarm_id.is_some()).collect();
    if adopting.is_empty() {
        return Ok(());
    }
    sqlx::query!(
        "update alarm a set point_id = p.id from unnest($1::bigint[], $2::text[], $3::text[]) p(id, condition, place_key)
            where a.condition = p.condition and a.place_key = p.place_key and a.point_id is null",
        &adopting.iter().map(|row| row.id).collect::<Vec<_>>(),
        &adopting.iter().map(|row| row.condition.clone()).collect::<Vec<_>>(),
        &adopting.iter().map(|row| row.place_key.clone()).collect::<Vec<_>>(),
    )
    .execute(connection)
    .await
    .map(drop)
}

/// Stores what has changed.
pub(super) async fn save(connection: &mut PgConnection, points: &HashMap<Key, Point>) -> sqlx::Result<()> {
    let mut changed: Vec<&Point> = points.values().filter(|p| p.changed).collect();
    if changed.is_empty() {
        return Ok(());
    }
    changed.sort_by_key(|p| p.id);
    let ids: Vec<i64> = changed.iter().map(|p| p.id).collect();
    let processes: Vec<String> = changed.iter().map(|p| p.process.name().to_owned()).collect();
    let alarms: Vec<Option<i64>> = changed.iter().map(|p| Some(p.alarm?.id)).collect();
    let untils: Vec<Option<Timestamp>> = changed.iter().map(|p| Some(p.shelf.as_ref()?.until)).collect();
    let shelved_by: Vec<Option<String>> =
        changed.iter().map(|p| Some(p.shelf.as_ref()?.by.clone())).collect();
    let shelved_why: Vec<Option<String>> =
        changed.iter().map(|p| Some(p.shelf.as_ref()?.why.clone())).collect();
    let silent: Vec<Option<String>> = changed.iter().map(|p| p.silent_why.clone()).collect();
    let maintenance: Vec<Option<String>> = changed.iter().map(|p| p.maintenance_why.clone()).collect();
    let out_at: Vec<Option<Timestamp>> =
        changed.iter().map(|p| Some(p.out_of_service.as_ref()?.at)).collect();
    let out_by: Vec<Option<String>> =
        changed.iter().map(|p| Some(p.out_of_service.as_ref()?.by.clone())).collect();
    let out_why: Vec<Option<String>> =
        changed.iter().map(|p| Some(p.out_of_service.as_ref()?.why.clone())).collect();
    sqlx::query!(
        "update alarm_point p set process = c.process, alarm_id = c.alarm_id, shelved_until = c.shelved_until,
                shelved_by = c.shelved_by, shelved_why = c.shelved_why, silent_why = c.silent_why,
                maintenance_why = c.maintenance_why, out_of_service_at = c.out_at, out_of_service_by = c.out_by,
                out_of_service_why = c.out_why, changed_at = clock_timestamp()
            from unnest($1::bigint[], $2::text[], $3::bigint[], $4::timestamptz[], $5::text[], $6::text[], $7::text[], $8::text[],
                    $9::timestamptz[], $10::text[], $11::text[])
                c(id, process, alarm_id, shelved_until, shelved_by, shelved_why, silent_why, maintenance_why, out_at, out_by, out_why)
            where p.id = c.id",
        &ids,
        &processes,
        &alarms as &[Option<i64>],
        &untils as &[Option<Timestamp>],
        &shelved_by as &[Option<String>],
        &shelved_why as &[Option<String>],
        &silent as &[Option<String>],
        &maintenance as &[Option<String>],
        &out_at as &[Option<Timestamp>],
        &out_by as &[Option<String>],
        &out_why as &[Option<String>],
    )
    .execute(connection)
    .await
    .map(drop)
}

/// A row of the table.
struct Row {
    id: i64,
    condition: String,
    regulator_id: Option<i32>,
    endpoint_id: Option<i32>,
    poller: Option<String>,
    substation_id: Option<i32>,
    part: Option<String>,
    process: String,
    alarm_id: Option<i64>,
    raised_at: Option<Timestamp>,
    shelved_until: Option<Timestamp>,
    shelved_by: Option<String>,
    shelved_why: Option<String>,
    silent_why: Option<String>,
    maintenance_why: Option<String>,
    out_of_service_at: Option<Timestamp>,
    out_of_service_by: Option<String>,
    out_of_service_why: Option<String>,
}

impl Row {
    /// Nothing for an alarm of a condition that a newer program has written.
    fn point(self) -> Option<(Key, Point)> {
        let columns = Columns {
            regulator_id: self.regulator_id,
            endpoint_id: self.endpoint_id,
            poller: self.poller,
            substation_id: self.substation_id,
            part: self.part,
        };
        let key = (Option::<Place>::from(columns)?, Condition::from_name(&self.condition)?);
        let occurrence = |(id, raised_at)| Occurrence { id, raised_at };
        let shelf = self.shelved_until.map(|until| Shelf {
            until,
            by: self.shelved_by.unwrap_or_default(),
            why: self.shelved_why.unwrap_or_default(),
        });
        let out_of_service = self.out_of_service_at.map(|at| Out {
            at,
            by: self.out_of_service_by.unwrap_or_default(),
            why: self.out_of_service_why.unwrap_or_default(),
        });
        let point = Point {
            id: self.id,
            process: Process::from_name(&self.process)?,
            alarm: self.alarm_id.zip(self.raised_at).map(occurrence),
            shelf,
            silent_why: self.silent_why,
            maintenance_why: self.maintenance_why,
            out_of_service,
            changed: false,
        };
        Some((key, point))
    }
}
