//! What a webhook says. Receivers parse this: fields may be added within a version, nothing else may change.
//!
//! ```json
//! {
//!   "version": 1,
//!   "type": "alarm.raised",
//!   "id": "alarm.200001.64c0a1b2c3d4e",
//!   "timestamp": "2026-03-01T19:04:00Z",
//!   "data": {
//!     "alarm_id": 100001, "condition": "reverse_power", "title": "Reverse power",
//!     "priority": "high", "priority_level": 3,
//!     "raised_at": "2026-03-01T19:04:00Z", "returned_at": null,
//!     "place": {
//!       "kind": "regulator", "regulator_id": 50001, "substation": "Marsh Lane", "feeder": "ML 12",
//!       "site": "Quarry Bend", "bank": "Bank 1", "phase": "B", "time_zone": "America/Denver"
//!     },
//!     "summary": "power -48 kW, reverse for 2 min",
//!     "facts": [{"label": "real power", "value": -48.25, "unit": "kW"}],
//!     "response": "...",
//!     "link": "https://tapkeeper.example.org/alarms/100001",
//!     "acknowledge": "https://tapkeeper.example.org/answer/...",
//!     "call": {"round": 1, "level": 2}
//!   },
//!   "summary": null
//! }
//! ```
//! `type` is `alarm.raised`, `alarm.returned`, `alarms.summary` or `test` (whose `data` is null). `acknowledge` is the address of a page that
//! acknowledges the alarm for its reader, for about two hours; null where there is nothing to acknowledge. `call` says which step of the escalation
//! this is, `level` null for the last resort; it is null where somebody is told whoever is on call. A summary stands for messages that were more
//! than a person gets in a while: `data` is null, and `summary` is `{"alarms": 12, "priority": "high", "groups": [{"condition", "title", "area", "count",
//! "over"}], "link"}`; programs get none. `id` stays the same when a message is sent again: a
//! receiver that remembers it handles each message once. `timestamp` is when the condition became so, by the readings' clock.
//! `place.kind` is `regulator`, `endpoint` (`endpoint_id`, `address`, `sites`), `poller` (`name`), `substation` (`substation_id`, `name`) or
//! `part` (`name`, of a part of Tapkeeper).

use chrono::{DateTime, Utc};
use regulator::conditions::{Change, Fact, Priority};
use serde::Serialize;

use crate::notification::{
    notice::{Content, Notice, Place, title},
    summary::Summary,
};

/// Changes when a receiver written for the last one would misunderstand.
const VERSION: u32 = 1;

#[derive(Debug, Serialize)]
pub(crate) struct Payload<'a> {
    version: u32,
    r#type: &'static str,
    id: String,
    timestamp: DateTime<Utc>,
    data: Option<Alarm<'a>>,
    summary: Option<Several<'a>>,
}

#[derive(Debug, Serialize)]
struct Alarm<'a> {
    alarm_id: i64,
    condition: &'a str,
    title: String,
    priority: &'static str,
    priority_level: i16,
    raised_at: DateTime<Utc>,
    returned_at: Option<DateTime<Utc>>,
    place: Where<'a>,
    summary: &'a str,
    facts: &'a [Fact],
    response: &'static str,
    link: String,
    acknowledge: Option<String>,
    call: Option<Called>,
}

#[derive(Debug, Serialize)]
struct Called {
    round: i32,
    level: Option<i16>,
}

#[derive(Debug, Serialize)]
struct Several<'a> {
    alarms: usize,
    priority: &'static str,
    groups: Vec<Part<'a>>,
    link: String,
}

#[derive(Debug, Serialize)]
struct Part<'a> {
    condition: &'a str,
    title: String,
    area: &'a str,
    count: usize,
    over: usize,
}

#[derive(Debug, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
enum Where<'a> {
    Regulator {
        regulator_id: i32,
        substation: &'a str,
        feeder: &'a str,
        site: &'a str,
        bank: &'a str,
        phase: &'a str,
        time_zone: &'a str,
    },
    Endpoint {
        endpoint_id: i32,
        address: &'a str,
        sites: &'a [String],
    },
    Poller {
        name: &'a str,
    },
    Substation {
        substation_id: i32,
        name: &'a str,
    },
    Part {
        name: &'a str,
    },
}

impl<'a> Payload<'a> {
    pub(crate) fn of(content: &'a Content, public_url: &str) -> Self {
        match content {
            Content::Alarm(notice) => Self::of_alarm(notice, public_url),
            Content::Summary(summary) => Self::of_summary(summary, public_url),
        }
    }

    /// Stands for several.
    fn of_summary(summary: &'a Summary, public_url: &str) -> Self {
        let groups = summary.groups.iter().map(|group| Part {
            condition: &group.condition,
            title: title(&group.condition),
            area: &group.area,
            count: group.count,
            over: group.over,
        });
        Self {
            version: VERSION,
            r#type: "alarms.summary",
            id: summary.key.name(),
            timestamp: summary.key.created_at,
            data: None,
            summary: Some(Several {
                alarms: summary.alarms,
                priority: Priority::from_level(summary.priority).map_or("unknown", Priority::title),
                groups: groups.collect(),
                link: summary.link(public_url),
            }),
        }
    }

    /// Tells of a transition.
    pub(crate) fn of_alarm(notice: &'a Notice, public_url: &str) -> Self {
        let returned = notice.change == Change::Returned;
        Self {
            version: VERSION,
            r#type: if returned { "alarm.returned" } else { "alarm.raised" },
            id: notice.key().name(),
            timestamp: notice.at,
            data: Some(Alarm {
                alarm_id: notice.alarm_id,
                condition: &notice.condition,
                title: notice.title(),
                priority: notice.priority_title(),
                priority_level: notice.priority,
                raised_at: notice.raised_at,
                returned_at: returned.then_some(notice.at),
                place: Where::of(&notice.place),
                summary: &notice.summary,
                facts: &notice.facts,
                response: notice.response(),
                link: notice.link(public_url),
                acknowledge: notice.answer_link(public_url),
                call: notice.call.map(|call| Called { round: call.round, level: call.level }),
            }),
            summary: None,
        }
    }

    /// Tells of nothing: somebody wants to see whether messages arrive.
    pub(crate) fn test(id: String, now: DateTime<Utc>) -> Self {
        Self { version: VERSION, r#type: "test", id, timestamp: now, data: None, summary: None }
    }

    pub(crate) fn id(&self) -> &str {
        &self.id
    }
}

impl<'a> Where<'a> {
    fn of(place: &'a Place) -> Self {
        match place {
            Place::Regulator(r) => Self::Regulator {
                regulator_id: r.regulator_id,
                substation: &r.substation,
                feeder: &r.feeder,
                site: &r.site,
                bank: &r.bank,
                phase: &r.phase,
                time_zone: &r.time_zone,
            },
            Place::Endpoint { id, address, sites, .. } => Self::Endpoint { endpoint_id: *id, address, sites },
            Place::Poller(name) => Self::Poller { name },
            Place::Substation { id, name } => Self::Substation { substation_id: *id, name },
            Place::Part(name) => Self::Part { name },
        }
    }
}
