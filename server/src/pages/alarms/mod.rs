//! Alarms: the list, one alarm, and acknowledging it.

mod acknowledge;
mod list;
mod messages;
mod one;
mod readings;
#[cfg(test)]
mod tests;

use axum::{
    Router,
    routing::{get, post},
};
use chrono_tz::Tz;
use regulator::{
    Timestamp,
    conditions::{Condition, Priority},
};
use web::alarms::{Row, state_of};

use crate::app::App;

pub(super) fn routes() -> Router<App> {
    Router::new()
        .route("/alarms", get(list::show))
        .route("/alarms/{id}", get(one::show))
        .route("/alarms/{id}/acknowledge", post(acknowledge::acknowledge))
}

/// What both pages read of an alarm, from the view `alarm_shown`.
#[derive(Debug)]
struct Shown {
    id: i64,
    condition: String,
    priority: i16,
    place: String,
    endpoint_sites: Option<String>,
    site_id: Option<i32>,
    time_zone: String,
    summary: String,
    raised_at: Timestamp,
    returned_at: Option<Timestamp>,
    acknowledged_at: Option<Timestamp>,
    acknowledged_by: Option<String>,
    announced: bool,
    hold: Option<String>,
}

impl Shown {
    /// As pages show it. An alarm of a condition that this program does not know was raised by a newer one: nothing.
    fn row(self) -> Option<Row> {
        Some(Row {
            id: self.id,
            condition: Condition::from_name(&self.condition)?,
            priority: Priority::from_level(self.priority)?,
            state: state_of(
                self.returned_at.is_some(),
                self.acknowledged_at.is_some(),
                self.announced,
                self.hold.as_deref(),
            ),
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
        })
    }
}
