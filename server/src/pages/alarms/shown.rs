//! What pages read of alarms: whole rows of a few, by their numbers.

use chrono_tz::Tz;
use regulator::{
    Timestamp,
    alarms::{Process, State},
    conditions::{Condition, Priority},
};
use sqlx::PgConnection;
use web::alarms::{Held, Row, state_of};

/// One alarm with what holds it.
#[derive(Debug)]
pub(in crate::pages) struct Shown {
    pub(super) id: i64,
    condition: String,
    pub(super) priority: i16,
    place: String,
    endpoint_sites: Option<String>,
    site_id: Option<i32>,
    time_zone: String,
    summary: String,
    pub(super) raised_at: Timestamp,
    returned_at: Option<Timestamp>,
    pub(super) acknowledged_at: Option<Timestamp>,
    acknowledged_by: Option<String>,
    pub(super) announced_at: Option<Timestamp>,
    held_why: Option<String>,
    pub(super) point_id: Option<i64>,
    /// Of its alarm: the latest, and what the present state of it is.
    pub(super) latest: Option<i64>,
    process: Option<String>,
    shelved_until: Option<Timestamp>,
    shelved_by: Option<String>,
    shelved_why: Option<String>,
    silent_why: Option<String>,
    maintenance_why: Option<String>,
    out_of_service_at: Option<Timestamp>,
    out_of_service_by: Option<String>,
    out_of_service_why: Option<String>,
}

/// These alarms, in the order of their numbers' list.
pub(in crate::pages) async fn shown(db: &mut PgConnection, ids: &[i64]) -> sqlx::Result<Vec<Shown>> {
    sqlx::query_as!(
        Shown,
        r#"select a.id as "id!", a.condition as "condition!", a.priority as "priority!", a.place as "place!", a.endpoint_sites,
                a.site_id, a.time_zone as "time_zone!", a.summary as "summary!", a.raised_at as "raised_at!", a.returned_at,
                a.acknowledged_at, a.acknowledged_by, a.announced_at, a.held_why, a.point_id,
                p.alarm_id as "latest?", p.process as "process?", p.shelved_until, p.shelved_by, p.shelved_why, p.silent_why,
                p.maintenance_why, p.out_of_service_at, p.out_of_service_by, p.out_of_service_why
           from alarm_shown a left join alarm_point p on p.id = a.point_id
           -- a condition on the view itself: a join would have it made of every alarm there is
           where a.id = any($1) order by array_position($1, a.id)"#,
        ids
    )
    .fetch_all(db)
    .await
}

/// The same, as pages show them.
pub(in crate::pages) async fn rows(db: &mut PgConnection, ids: &[i64]) -> sqlx::Result<Vec<Row>> {
    Ok(shown(db, ids).await?.into_iter().filter_map(Shown::row).collect())
}

impl Shown {
    /// It is the latest of its condition and place, so what holds that holds it.
    fn is_latest(&self) -> bool {
        self.latest == Some(self.id)
    }

    fn holds(&self) -> Vec<Held> {
        let text = |text: &Option<String>| text.clone().unwrap_or_default();
        let by_rule = |why: &Option<String>, words: &str| {
            why.as_ref().map(|why| Held {
                state: State::SuppressedByDesign,
                by: None,
                why: format!("{words}{why}"),
                since: None,
                until: None,
            })
        };
        let out = self.out_of_service_at.map(|at| Held {
            state: State::OutOfService,
            by: self.out_of_service_by.clone(),
            why: text(&self.out_of_service_why),
            since: Some(at),
            until: None,
        });
        let shelf = self.shelved_until.map(|until| Held {
            state: State::Shelved,
            by: self.shelved_by.clone(),
            why: text(&self.shelved_why),
            since: None,
            until: Some(until),
        });
        let rules = [by_rule(&self.maintenance_why, "under maintenance, "), by_rule(&self.silent_why, "")];
        [out].into_iter().chain(rules).chain([shelf]).flatten().collect()
    }

    /// Whether acknowledging would do something: to it, or to the alarm that it is an occurrence of.
    fn acknowledgeable(&self) -> bool {
        let Some(process) = self.process.as_deref().and_then(Process::from_name) else {
            return self.acknowledged_at.is_none();
        };
        let own =
            self.acknowledged_at.is_none() && (self.announced_at.is_some() || self.returned_at.is_none());
        own && matches!(process, Process::Unannounced | Process::Unacknowledged | Process::Returned)
    }

    /// As pages show it. An alarm of a condition that this program does not know was raised by a newer one: nothing.
    pub(in crate::pages) fn row(self) -> Option<Row> {
        let holds = if self.is_latest() { self.holds() } else { Vec::new() };
        let of_now =
            state_of(self.returned_at.is_some(), self.acknowledged_at.is_some(), self.announced_at.is_some());
        Some(Row {
            id: self.id,
            condition: Condition::from_name(&self.condition)?,
            priority: Priority::from_level(self.priority)?,
            state: holds.first().map_or(of_now, |held| held.state),
            acknowledgeable: self.acknowledgeable(),
            place: match self.endpoint_sites {
                Some(sites) => format!("{} ({sites})", self.place),
                None => self.place,
            },
            site_id: self.site_id,
            summary: self.summary,
            raised_at: self.raised_at,
            returned_at: self.returned_at,
            zone: self.time_zone.parse().unwrap_or(Tz::UTC),
            acknowledged_by: self.acknowledged_by,
            held_why: self.held_why,
            holds,
        })
    }
}
