//! Maintenance windows: which places are under one at an instant.

use std::collections::{HashMap, HashSet};

use regulator::Timestamp;
use sqlx::PgConnection;

use super::place::Place;

/// The windows of a period and what they cover; most often none.
#[derive(Debug, Default)]
pub(super) struct Windows {
    windows: Vec<Window>,
    /// The regulators in service behind each endpoint, and of each substation.
    behind: HashMap<Place, Vec<i32>>,
}

#[derive(Debug)]
struct Window {
    from_at: Timestamp,
    to_at: Timestamp,
    reason: String,
    regulators: HashSet<i32>,
}

impl Windows {
    /// Those that are open at some time between.
    pub(super) async fn load(
        connection: &mut PgConnection,
        from: Timestamp,
        to: Timestamp,
    ) -> sqlx::Result<Self> {
        let rows = sqlx::query!(
            r#"select w.from_at, coalesce(w.ended_at, w.to_at) as "to_at!", w.reason,
                array(select r.id from regulator r join bank b on b.id = r.bank_id join site s on s.id = b.site_id
                        join feeder f on f.id = s.feeder_id
                      where w.scope_id = case w.scope_kind when 'regulator' then r.id when 'site' then s.id
                                              when 'feeder' then f.id else f.substation_id end) as "regulators!"
               from maintenance_window w
               where w.from_at <= $2 and coalesce(w.ended_at, w.to_at) > $1 order by w.id"#,
            from,
            to
        )
        .fetch_all(&mut *connection)
        .await?;
        if rows.is_empty() {
            return Ok(Self::default());
        }
        let windows = rows.into_iter().map(|row| Window {
            from_at: row.from_at,
            to_at: row.to_at,
            reason: row.reason,
            regulators: row.regulators.into_iter().collect(),
        });
        Ok(Self { windows: windows.collect(), behind: behind(connection).await? })
    }

    /// Whether there are none.
    pub(super) fn are_none(&self) -> bool {
        self.windows.is_empty()
    }

    /// Why the place is under maintenance, if it is. An endpoint or substation is when all its regulators are.
    pub(super) fn why(&self, place: &Place, at: Timestamp) -> Option<&str> {
        let covering = |id: i32| {
            self.windows.iter().find(|w| w.from_at <= at && at < w.to_at && w.regulators.contains(&id))
        };
        if self.windows.is_empty() {
            return None;
        }
        if let Place::Regulator(id) = place {
            return covering(*id).map(|w| w.reason.as_str());
        }
        let all: Option<Vec<&Window>> = self.behind.get(place)?.iter().map(|id| covering(*id)).collect();
        all?.first().map(|w| w.reason.as_str())
    }
}

async fn behind(connection: &mut PgConnection) -> sqlx::Result<HashMap<Place, Vec<i32>>> {
    let rows = sqlx::query!(
        "select r.id, r.endpoint_id, f.substation_id
         from regulator r join bank b on b.id = r.bank_id join site s on s.id = b.site_id join feeder f on f.id = s.feeder_id
         where r.retired_at is null"
    )
    .fetch_all(connection)
    .await?;
    let mut behind: HashMap<Place, Vec<i32>> = HashMap::new();
    for row in rows {
        behind.entry(Place::Endpoint(row.endpoint_id)).or_default().push(row.id);
        behind.entry(Place::Substation(row.substation_id)).or_default().push(row.id);
    }
    Ok(behind)
}
