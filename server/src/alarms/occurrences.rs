//! The rows of `alarm`: one an occurrence, from being raised to being over.

use std::collections::HashSet;

use regulator::{
    Timestamp,
    alarms::Event,
    conditions::{Fact, Scope},
};
use serde_json::Value;
use sqlx::PgConnection;

use super::{
    act::Act,
    place::{ColumnArrays, Place},
    point::Key,
};

/// What becomes of occurrences in one transaction.
#[derive(Debug, Default)]
pub(super) struct Occurrences {
    pub(super) raised: Vec<New>,
    pub(super) returned: Vec<(i64, Timestamp)>,
    /// Acknowledged with everything of the same point that was not.
    pub(super) acknowledged: Vec<(i64, Act)>,
    pub(super) raised_again: Vec<i64>,
    /// Told to people though not raised just now.
    pub(super) announced: Vec<(i64, Timestamp)>,
}

/// A new one.
#[derive(Debug)]
pub(super) struct New {
    pub(super) id: i64,
    pub(super) point: i64,
    pub(super) act: Act,
    pub(super) announced: bool,
    /// What held it when it was raised.
    pub(super) held_why: Option<String>,
}

/// Which of the occurrences to be raised are there already.
pub(super) async fn known(
    connection: &mut PgConnection,
    acts: &[Act],
) -> sqlx::Result<HashSet<(Key, Timestamp)>> {
    let raised: Vec<&Act> = acts.iter().filter(|a| a.event == Event::Raise).collect();
    if raised.is_empty() {
        return Ok(HashSet::new());
    }
    let rows = sqlx::query_scalar!(
        r#"select k.nr as "nr!" from unnest($1::text[], $2::text[], $3::timestamptz[]) with ordinality k(condition, place_key, raised_at, nr)
            join alarm a using (condition, place_key, raised_at)"#,
        &raised.iter().map(|a| a.condition.name().to_owned()).collect::<Vec<_>>(),
        &raised.iter().map(|a| a.place.key()).collect::<Vec<_>>(),
        &raised.iter().map(|a| a.at).collect::<Vec<_>>(),
    )
    .fetch_all(connection)
    .await?;
    let found = rows.into_iter().filter_map(|nr| raised.get(usize::try_from(nr).ok()?.checked_sub(1)?));
    Ok(found.map(|a| ((a.place.clone(), a.condition), a.at)).collect())
}

/// Numbers for as many as are to be raised.
pub(super) async fn new_ids(connection: &mut PgConnection, acts: &[Act]) -> sqlx::Result<Vec<i64>> {
    let count = acts.iter().filter(|a| a.event == Event::Raise).count();
    if count == 0 {
        return Ok(vec![]);
    }
    sqlx::query_scalar!(
        r#"select nextval(pg_get_serial_sequence('alarm', 'id')) as "id!" from generate_series(1, $1::bigint)"#,
        i64::try_from(count).unwrap_or(i64::MAX)
    )
    .fetch_all(connection)
    .await
}

impl Occurrences {
    pub(super) fn end(&mut self, id: i64, at: Timestamp) {
        self.returned.push((id, at));
    }

    /// Each kind in turn. Raised ones are written as raised, then changed as the rest says, but for those that end in the same
    /// transaction: of one condition and place only one may be open.
    pub(super) async fn write(&self, connection: &mut PgConnection) -> sqlx::Result<()> {
        let new: HashSet<i64> = self.raised.iter().map(|n| n.id).collect();
        let old: Vec<_> = self.returned.iter().filter(|(id, _)| !new.contains(id)).copied().collect();
        give_back(&mut *connection, &old).await?;
        self.insert(&mut *connection).await?;
        self.announce(&mut *connection).await?;
        self.acknowledge(&mut *connection).await?;
        self.raise_again(connection).await
    }

    async fn insert(&self, connection: &mut PgConnection) -> sqlx::Result<()> {
        let new = &self.raised;
        if new.is_empty() {
            return Ok(());
        }
        let places: Vec<&Place> = new.iter().map(|n| &n.act.place).collect();
        let columns: ColumnArrays = places.into_iter().collect();
        let ends: std::collections::HashMap<i64, Timestamp> = self.returned.iter().copied().collect();
        let returned: Vec<Option<Timestamp>> =
            new.iter().map(|n| Some(n.act.at.max(*ends.get(&n.id)?))).collect();
        sqlx::query!(
            "insert into alarm (id, condition, regulator_id, endpoint_id, poller, substation_id, part, priority, raised_at, returned_at,
                    summary, evidence, bank_id, point_id, announced_at, held_why)
                select n.id, n.condition, n.regulator_id, n.endpoint_id, n.poller, n.substation_id, n.part, n.priority, n.raised_at,
                    n.returned_at, n.summary, n.evidence, case when n.of_bank then r.bank_id end, n.point_id,
                    case when n.announced then clock_timestamp() end, n.held_why
                from unnest($1::bigint[], $2::text[], $3::integer[], $4::integer[], $5::text[], $6::integer[], $7::text[],
                    $8::smallint[], $9::timestamptz[], $10::timestamptz[], $11::text[], $12::jsonb[], $13::boolean[],
                    $14::bigint[], $15::boolean[], $16::text[])
                    n(id, condition, regulator_id, endpoint_id, poller, substation_id, part, priority, raised_at, returned_at,
                      summary, evidence, of_bank, point_id, announced, held_why)
                left join regulator r on r.id = n.regulator_id",
            &new.iter().map(|n| n.id).collect::<Vec<_>>(),
            &new.iter().map(|n| n.act.condition.name().to_owned()).collect::<Vec<_>>(),
            &columns.regulators as &[Option<i32>],
            &columns.endpoints as &[Option<i32>],
            &columns.pollers as &[Option<String>],
            &columns.substations as &[Option<i32>],
            &columns.parts as &[Option<String>],
            &new.iter().map(|n| n.act.condition.priority().level()).collect::<Vec<_>>(),
            &new.iter().map(|n| n.act.at).collect::<Vec<_>>(),
            &returned as &[Option<Timestamp>],
            &new.iter().map(|n| n.act.summary.clone()).collect::<Vec<_>>(),
            &new.iter().map(|n| evidence(&n.act.facts)).collect::<Vec<_>>(),
            &new.iter().map(|n| n.act.condition.scope() == Scope::Bank).collect::<Vec<_>>(),
            &new.iter().map(|n| n.point).collect::<Vec<_>>(),
            &new.iter().map(|n| n.announced).collect::<Vec<_>>(),
            &new.iter().map(|n| n.held_why.clone()).collect::<Vec<_>>() as &[Option<String>],
        )
        .execute(connection)
        .await
        .map(drop)
    }

    async fn announce(&self, connection: &mut PgConnection) -> sqlx::Result<()> {
        if self.announced.is_empty() {
            return Ok(());
        }
        let ids: Vec<i64> = self.announced.iter().map(|a| a.0).collect();
        sqlx::query!(
            "update alarm set announced_at = clock_timestamp() where id = any($1) and announced_at is null",
            &ids
        )
        .execute(connection)
        .await
        .map(drop)
    }

    async fn acknowledge(&self, connection: &mut PgConnection) -> sqlx::Result<()> {
        if self.acknowledged.is_empty() {
            return Ok(());
        }
        sqlx::query!(
            "update alarm a set acknowledged_at = k.at, acknowledged_by = k.person, acknowledge_note = k.note,
                    announced_at = coalesce(a.announced_at, k.at)
                from unnest($1::bigint[], $2::timestamptz[], $3::text[], $4::text[]) k(point_id, at, person, note)
                where a.point_id = k.point_id and a.acknowledged_at is null
                  and (a.announced_at is not null or a.returned_at is null)",
            &self.acknowledged.iter().map(|a| a.0).collect::<Vec<_>>(),
            &self.acknowledged.iter().map(|a| a.1.at).collect::<Vec<_>>(),
            &self.acknowledged.iter().map(|a| a.1.person.clone()).collect::<Vec<_>>() as &[Option<String>],
            &self.acknowledged.iter().map(|a| a.1.why.clone()).collect::<Vec<_>>() as &[Option<String>],
        )
        .execute(connection)
        .await
        .map(drop)
    }

    async fn raise_again(&self, connection: &mut PgConnection) -> sqlx::Result<()> {
        if self.raised_again.is_empty() {
            return Ok(());
        }
        sqlx::query!(
            "update alarm set acknowledged_at = null, acknowledged_by = null, acknowledge_note = null where id = any($1)",
            &self.raised_again
        )
        .execute(connection)
        .await
        .map(drop)
    }
}

async fn give_back(connection: &mut PgConnection, returned: &[(i64, Timestamp)]) -> sqlx::Result<()> {
    if returned.is_empty() {
        return Ok(());
    }
    sqlx::query!(
        "update alarm set returned_at = greatest(raised_at, done.at) from unnest($1::bigint[], $2::timestamptz[]) done(id, at)
            where alarm.id = done.id",
        &returned.iter().map(|r| r.0).collect::<Vec<_>>(),
        &returned.iter().map(|r| r.1).collect::<Vec<_>>(),
    )
    .execute(connection)
    .await
    .map(drop)
}

pub(super) fn evidence(facts: &[Fact]) -> Value {
    let fact = |f: &Fact| serde_json::json!({"label": f.label, "value": f.value, "unit": f.unit});
    Value::Array(facts.iter().map(fact).collect())
}
