//! Alarms and their transitions, written for a whole pass at once.

use std::collections::{HashMap, HashSet, hash_map::Entry};

use regulator::{
    Timestamp,
    conditions::{Change, Condition, Fact, Scope, Transition},
};
use serde_json::Value;
use sqlx::PgConnection;

use super::{memory::Told, place::Place};

/// The alarms that are open, by what they are about.
#[derive(Debug, Default)]
pub(super) struct OpenAlarms(HashMap<(Place, Condition), Open>);

/// One of them.
#[derive(Debug, Clone, Copy)]
struct Open {
    id: i64,
    raised_at: Timestamp,
}

impl Open {
    /// Whether a return as of `at` is this alarm's. An earlier one is that of an earlier alarm, when conditions are run again
    /// from an earlier cursor; unless it is this alarm's time that cannot be, for it lies in the future.
    fn ends_with(self, at: Timestamp) -> bool {
        at >= self.raised_at || self.raised_at > chrono::Utc::now()
    }
}

/// What one pass writes.
#[derive(Debug, Default)]
struct Writing {
    raised: Vec<New>,
    returned: Vec<(i64, Timestamp, Value)>,
}

/// An alarm raised in this pass; returned in it as well, perhaps.
#[derive(Debug)]
struct New {
    id: i64,
    place: Place,
    raised: Transition,
    returned: Option<(Timestamp, Value)>,
}

/// What was written.
#[derive(Debug, Default, PartialEq, Eq)]
pub(super) struct Recorded {
    pub(super) raised: u64,
    pub(super) returned: u64,
    /// Rows of `alarm_transition`, in order.
    pub(super) transitions: Vec<i64>,
    /// Ids that were meant for alarms which are there already.
    unused: Vec<i64>,
}

impl OpenAlarms {
    pub(super) async fn load(connection: &mut PgConnection) -> sqlx::Result<Self> {
        let rows = sqlx::query!(
            "select id, condition, regulator_id, endpoint_id, poller, raised_at from alarm where returned_at is null"
        )
        .fetch_all(connection)
        .await?;
        let mut open = HashMap::new();
        for row in rows {
            let place = Place::from_columns(row.regulator_id, row.endpoint_id, row.poller);
            if let Some(key) = place.zip(Condition::from_name(&row.condition)) {
                open.insert(key, Open { id: row.id, raised_at: row.raised_at });
            }
        }
        Ok(Self(open))
    }

    /// Ends, as of when it was retired, what is open of each regulator that has left the inventory.
    pub(super) async fn retire(&mut self, connection: &mut PgConnection) -> sqlx::Result<Recorded> {
        let rows = sqlx::query!(
            r#"select a.id, greatest(a.raised_at, r.retired_at) as "at!" from alarm a join regulator r on r.id = a.regulator_id
                where a.returned_at is null and r.retired_at is not null"#
        )
        .fetch_all(&mut *connection)
        .await?;
        let returned: Vec<_> = rows.into_iter().map(|row| (row.id, row.at, Value::Array(vec![]))).collect();
        self.0.retain(|_, open| returned.iter().all(|(gone, _, _)| *gone != open.id));
        Writing { raised: vec![], returned }.write(connection).await
    }

    /// Records transitions, in the order in which things happened.
    ///
    /// An alarm that is open already is not raised again, and one that is not open does not return: should the memory of
    /// conditions ever be lost or set back, the alarms still stay single.
    pub(super) async fn record(
        &mut self,
        connection: &mut PgConnection,
        told: Vec<Told>,
    ) -> sqlx::Result<Recorded> {
        let mut ids = self.new_ids(connection, &told).await?.into_iter();
        let mut writing = Writing::default();
        for (place, transition) in in_order(told) {
            let key = (place, transition.condition);
            match transition.change {
                Change::Raised => {
                    if let Entry::Vacant(vacant) = self.0.entry(key)
                        && let Some(id) = ids.next()
                    {
                        let place = vacant.key().0.clone();
                        vacant.insert(Open { id, raised_at: transition.at });
                        writing.raised.push(New { id, place, raised: transition, returned: None });
                    }
                }
                Change::Returned => {
                    if let Entry::Occupied(open) = self.0.entry(key)
                        && open.get().ends_with(transition.at)
                    {
                        writing.end(open.remove().id, transition.at, evidence(&transition.facts));
                    }
                }
            }
        }
        let recorded = writing.write(connection).await?;
        self.0.retain(|_, open| !recorded.unused.contains(&open.id));
        Ok(recorded)
    }

    async fn new_ids(&self, connection: &mut PgConnection, told: &[Told]) -> sqlx::Result<Vec<i64>> {
        let count = told.iter().filter(|(_, t)| t.change == Change::Raised).count();
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
}

impl Writing {
    fn end(&mut self, id: i64, at: Timestamp, evidence: Value) {
        match self.raised.iter_mut().find(|new| new.id == id) {
            Some(new) => new.returned = Some((at.max(new.raised.at), evidence)),
            None => self.returned.push((id, at, evidence)),
        }
    }

    async fn write(mut self, connection: &mut PgConnection) -> sqlx::Result<Recorded> {
        if self.raised.is_empty() && self.returned.is_empty() {
            return Ok(Recorded::default());
        }
        // Returns first, so that an alarm of the same kind and place can be open again.
        self.update_returned(connection).await?;
        let inserted: HashSet<i64> = self.insert_raised(connection).await?.into_iter().collect();
        // One that was there already (conditions were run again from an earlier cursor) has its transitions too.
        let (kept, there): (Vec<_>, Vec<_>) =
            std::mem::take(&mut self.raised).into_iter().partition(|new| inserted.contains(&new.id));
        self.raised = kept;
        let unused = there.into_iter().map(|new| new.id).collect();
        let transitions = self.insert_transitions(connection).await?;
        let raised = self.raised.len() as u64;
        Ok(Recorded { raised, returned: transitions.len() as u64 - raised, transitions, unused })
    }

    async fn update_returned(&self, connection: &mut PgConnection) -> sqlx::Result<()> {
        let ids: Vec<i64> = self.returned.iter().map(|r| r.0).collect();
        let times: Vec<Timestamp> = self.returned.iter().map(|r| r.1).collect();
        sqlx::query!(
            "update alarm set returned_at = greatest(raised_at, done.at) from unnest($1::bigint[], $2::timestamptz[]) done(id, at)
                where alarm.id = done.id",
            &ids,
            &times
        )
        .execute(connection)
        .await
        .map(drop)
    }

    async fn insert_raised(&self, connection: &mut PgConnection) -> sqlx::Result<Vec<i64>> {
        let new = &self.raised;
        let ids: Vec<i64> = new.iter().map(|n| n.id).collect();
        let conditions: Vec<String> = new.iter().map(|n| n.raised.condition.name().to_owned()).collect();
        let regulators: Vec<Option<i32>> = new.iter().map(|n| n.place.regulator_id()).collect();
        let endpoints: Vec<Option<i32>> = new.iter().map(|n| n.place.endpoint_id()).collect();
        let pollers: Vec<Option<String>> = new.iter().map(|n| n.place.poller().map(str::to_owned)).collect();
        let priorities: Vec<i16> = new.iter().map(|n| n.raised.condition.priority().level()).collect();
        let raised: Vec<Timestamp> = new.iter().map(|n| n.raised.at).collect();
        let returned: Vec<Option<Timestamp>> = new.iter().map(|n| Some(n.returned.as_ref()?.0)).collect();
        let summaries: Vec<String> = new.iter().map(|n| n.raised.summary.clone()).collect();
        let evidences: Vec<Value> = new.iter().map(|n| evidence(&n.raised.facts)).collect();
        let of_bank: Vec<bool> = new.iter().map(|n| n.raised.condition.scope() == Scope::Bank).collect();
        sqlx::query_scalar!(
            "insert into alarm (id, condition, regulator_id, endpoint_id, poller, priority, raised_at, returned_at, summary,
                    evidence, bank_id)
                select n.id, n.condition, n.regulator_id, n.endpoint_id, n.poller, n.priority, n.raised_at, n.returned_at,
                    n.summary, n.evidence, case when n.of_bank then r.bank_id end
                from unnest($1::bigint[], $2::text[], $3::integer[], $4::integer[], $5::text[], $6::smallint[],
                    $7::timestamptz[], $8::timestamptz[], $9::text[], $10::jsonb[], $11::boolean[])
                    n(id, condition, regulator_id, endpoint_id, poller, priority, raised_at, returned_at, summary, evidence, of_bank)
                left join regulator r on r.id = n.regulator_id
                on conflict do nothing returning id",
            &ids,
            &conditions,
            &regulators as &[Option<i32>],
            &endpoints as &[Option<i32>],
            &pollers as &[Option<String>],
            &priorities,
            &raised,
            &returned as &[Option<Timestamp>],
            &summaries,
            &evidences,
            &of_bank
        )
        .fetch_all(connection)
        .await
    }

    /// Returns before raises, then each alarm's own in order.
    async fn insert_transitions(&self, connection: &mut PgConnection) -> sqlx::Result<Vec<i64>> {
        let mut rows: Vec<(i64, &str, Timestamp, Value)> =
            self.returned.iter().map(|(id, at, evidence)| (*id, "returned", *at, evidence.clone())).collect();
        for new in &self.raised {
            rows.push((new.id, "raised", new.raised.at, evidence(&new.raised.facts)));
            rows.extend(
                new.returned.iter().map(|(at, evidence)| (new.id, "returned", *at, evidence.clone())),
            );
        }
        // People read them in the order in which things happened.
        rows.sort_by_key(|row| row.2);
        let alarms: Vec<i64> = rows.iter().map(|r| r.0).collect();
        let kinds: Vec<String> = rows.iter().map(|r| r.1.to_owned()).collect();
        let times: Vec<Timestamp> = rows.iter().map(|r| r.2).collect();
        let evidences: Vec<Value> = rows.into_iter().map(|r| r.3).collect();
        sqlx::query_scalar!(
            "insert into alarm_transition (alarm_id, kind, at, evidence)
                select alarm_id, kind, at, evidence
                from unnest($1::bigint[], $2::text[], $3::timestamptz[], $4::jsonb[]) with ordinality
                    t(alarm_id, kind, at, evidence, place)
                order by place
                returning id",
            &alarms,
            &kinds,
            &times,
            &evidences
        )
        .fetch_all(connection)
        .await
    }
}

/// Sorts by time, but never turns around what was told of one condition of one place, whatever its clock did in between.
fn in_order(told: Vec<Told>) -> Vec<Told> {
    let mut latest: HashMap<(Place, Condition), Timestamp> = HashMap::new();
    let mut keyed: Vec<(Timestamp, Told)> = told
        .into_iter()
        .map(|(place, transition)| {
            let latest = latest.entry((place.clone(), transition.condition)).or_insert(transition.at);
            *latest = transition.at.max(*latest);
            (*latest, (place, transition))
        })
        .collect();
    keyed.sort_by_key(|(at, _)| *at);
    keyed.into_iter().map(|(_, told)| told).collect()
}

fn evidence(facts: &[Fact]) -> Value {
    let fact = |f: &Fact| serde_json::json!({"label": f.label, "value": f.value, "unit": f.unit});
    Value::Array(facts.iter().map(fact).collect())
}
