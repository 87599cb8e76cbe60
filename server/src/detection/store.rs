//! The memory in its table: one row of JSON text a place.

use std::str::FromStr;

use serde::{Serialize, de::DeserializeOwned};
use sqlx::PgConnection;

use super::memory::{Gone, Memory};
use crate::alarms::Place;

/// Everything that was stored. A row that does not read is left out with a warning: its conditions start afresh, and an alarm
/// that is open stays so until they find it gone.
pub(super) async fn load(connection: &mut PgConnection) -> sqlx::Result<Memory> {
    let rows =
        sqlx::query!("select scope_kind, scope_id, state from detection_state").fetch_all(connection).await?;
    let mut memory = Memory::default();
    for row in rows {
        match row.scope_kind.as_str() {
            "regulator" => put(&row.scope_id, &row.state, |id, state| memory.regulators.insert(id, state)),
            "bank" => put(&row.scope_id, &row.state, |id, state| memory.banks.insert(id, state)),
            "endpoint" => put(&row.scope_id, &row.state, |id, state| memory.endpoints.insert(id, state)),
            "substation" => put(&row.scope_id, &row.state, |id, state| memory.substations.insert(id, state)),
            _ => put(&row.scope_id, &row.state, |id, state| memory.pollers.insert(id, state)),
        }
    }
    Ok(memory)
}

fn put<K: FromStr, V: DeserializeOwned>(id: &str, state: &str, insert: impl FnOnce(K, V) -> Option<V>) {
    match (id.parse(), serde_json::from_str(state)) {
        (Ok(id), Ok(state)) => drop(insert(id, state)),
        (_, Err(error)) => tracing::warn!(id, %error, "what detection remembers of this does not read"),
        _ => tracing::warn!(id, "detection remembers something of a place without a proper id"),
    }
}

/// Stores what has changed.
pub(super) async fn save(connection: &mut PgConnection, memory: &mut Memory) -> anyhow::Result<()> {
    let (mut kinds, mut ids, mut states) = (vec![], vec![], vec![]);
    for place in std::mem::take(&mut memory.changed) {
        let (kind, id, state) = match place {
            Place::Regulator(id) => ("regulator", id.to_string(), text(memory.regulators.get(&id))?),
            Place::Bank(id) => ("bank", id.to_string(), text(memory.banks.get(&id))?),
            Place::Endpoint(id) => ("endpoint", id.to_string(), text(memory.endpoints.get(&id))?),
            Place::Substation(id) => ("substation", id.to_string(), text(memory.substations.get(&id))?),
            // Parts of the program are watched elsewhere.
            Place::Part(_) => continue,
            Place::Poller(name) => {
                let state = text(memory.pollers.get(&name))?;
                ("poller", name, state)
            }
        };
        if let Some(state) = state {
            kinds.push(kind.to_owned());
            ids.push(id);
            states.push(state);
        }
    }
    sqlx::query!(
        "insert into detection_state (scope_kind, scope_id, state)
            select * from unnest($1::text[], $2::text[], $3::text[])
            on conflict (scope_kind, scope_id) do update set state = excluded.state",
        &kinds,
        &ids,
        &states
    )
    .execute(connection)
    .await?;
    Ok(())
}

/// Forgets regulators that have left the inventory, and banks whose regulators are others now.
pub(super) async fn forget(connection: &mut PgConnection, gone: &Gone) -> sqlx::Result<()> {
    let texts = |ids: &[i32]| ids.iter().map(ToString::to_string).collect::<Vec<_>>();
    sqlx::query!(
        "delete from detection_state
            where (scope_kind = 'regulator' and scope_id = any($1)) or (scope_kind = 'bank' and scope_id = any($2))",
        &texts(&gone.regulators),
        &texts(&gone.banks)
    )
        .execute(connection)
        .await
        .map(drop)
}

fn text<S: Serialize>(state: Option<&S>) -> serde_json::Result<Option<String>> {
    state.map(serde_json::to_string).transpose()
}
