//! What a message says, before it is put into the words of an e-mail or the fields of a webhook.

use chrono::{DateTime, Utc};
use regulator::conditions::{Change, Condition, Fact, Priority};
use sqlx::PgConnection;

/// Everything known about the transition that a message tells of.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Notice {
    pub(crate) notification_id: i64,
    /// When the message was put into the outbox.
    pub(crate) created_at: DateTime<Utc>,
    /// For a return: the message of the raising to the same recipient.
    pub(crate) about: Option<MessageKey>,
    pub(crate) change: Change,
    pub(crate) at: DateTime<Utc>,
    pub(crate) alarm_id: i64,
    pub(crate) condition: String,
    pub(crate) priority: i16,
    pub(crate) raised_at: DateTime<Utc>,
    pub(crate) summary: String,
    pub(crate) facts: Vec<Fact>,
    /// What to do, from the condition's entry in the catalogue.
    pub(crate) response: &'static str,
    pub(crate) place: Place,
}

/// What names one message for ever, even beside those of another installation with the same numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct MessageKey {
    pub(crate) notification_id: i64,
    pub(crate) created_at: DateTime<Utc>,
}

impl MessageKey {
    /// The name, of letters, digits and dots.
    pub(crate) fn name(self) -> String {
        format!("alarm.{}.{:x}", self.notification_id, self.created_at.timestamp_micros())
    }
}

/// Where it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Place {
    Regulator(RegulatorPlace),
    Endpoint {
        id: i32,
        address: String,
        /// The sites it serves.
        sites: Vec<String>,
        /// Their time zone, if they share one.
        time_zone: Option<String>,
    },
    Poller(String),
}

/// Where a regulator is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct RegulatorPlace {
    pub(crate) regulator_id: i32,
    pub(crate) substation: String,
    pub(crate) feeder: String,
    pub(crate) site: String,
    pub(crate) bank: String,
    pub(crate) phase: String,
    pub(crate) time_zone: String,
}

/// Where the message goes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Addressee {
    pub(crate) name: String,
    pub(crate) email: Option<String>,
    pub(crate) webhook_url: Option<String>,
    pub(crate) webhook_secret: Option<String>,
    /// Whether it no longer wants to hear anything.
    pub(crate) disabled: bool,
}

impl Notice {
    pub(crate) fn key(&self) -> MessageKey {
        MessageKey { notification_id: self.notification_id, created_at: self.created_at }
    }

    /// What the program knows about the condition; none for one that it no longer has.
    pub(crate) fn known_condition(&self) -> Option<Condition> {
        Condition::from_name(&self.condition)
    }

    /// The condition's name for people.
    pub(crate) fn title(&self) -> String {
        self.known_condition().map_or_else(|| self.condition.clone(), |c| c.title().to_owned())
    }

    /// The priority's name for people.
    pub(crate) fn priority_title(&self) -> &'static str {
        Priority::from_level(self.priority).map_or("unknown", Priority::title)
    }

    /// Where the alarm's page is.
    pub(crate) fn link(&self, public_url: &str) -> String {
        format!("{}/alarms/{}", public_url.trim_end_matches('/'), self.alarm_id)
    }
}

impl Place {
    /// Short enough for the subject of a message.
    pub(crate) fn short(&self) -> String {
        match self {
            Self::Regulator(r) => format!("{} phase {} (feeder {})", r.site, r.phase, r.feeder),
            Self::Endpoint { address, sites, .. } => match sites.as_slice() {
                [] => address.clone(),
                [site] => format!("{site} ({address})"),
                [site, rest @ ..] => format!("{site} and {} more ({address})", rest.len()),
            },
            Self::Poller(name) => format!("poller {name}"),
        }
    }

    /// The clock on the wall there.
    pub(crate) fn time_zone(&self) -> Option<chrono_tz::Tz> {
        let name = match self {
            Self::Regulator(r) => Some(&r.time_zone),
            Self::Endpoint { time_zone, .. } => time_zone.as_ref(),
            Self::Poller(_) => None,
        };
        name.and_then(|n| n.parse().ok())
    }
}

/// Reads the message with this id and where it goes; none if there is no such message.
pub(crate) async fn load(conn: &mut PgConnection, id: i64) -> sqlx::Result<Option<(Notice, Addressee)>> {
    let Some(row) = sqlx::query!(
        r#"select n.id, n.created_at, t.kind, t.at, t.evidence as transition_evidence, a.id as alarm_id, a.condition,
             a.priority, a.raised_at, a.summary, a.evidence, a.regulator_id, a.bank_id is not null as "of_bank!", a.endpoint_id, a.poller,
             e.id as "about_id?", e.created_at as "about_created_at?",
             r.name as recipient, r.email, r.webhook_url, r.webhook_secret, r.disabled_at is not null as "disabled!"
         from notification n
         join recipient r on r.id = n.recipient_id
         join alarm_transition t on t.id = n.transition_id
         join alarm a on a.id = t.alarm_id
         left join alarm_transition rt on t.kind = 'returned' and rt.alarm_id = a.id and rt.kind = 'raised'
         left join notification e on e.transition_id = rt.id and e.recipient_id = n.recipient_id and e.way = n.way
         where n.id = $1"#,
        id
    )
    .fetch_optional(&mut *conn)
    .await?
    else {
        return Ok(None);
    };
    let place = match (row.regulator_id, row.endpoint_id, row.poller) {
        (Some(id), _, _) => Place::Regulator(regulator_place(conn, id, row.of_bank).await?),
        (None, Some(id), _) => endpoint_place(conn, id).await?,
        (None, None, poller) => Place::Poller(poller.unwrap_or_default()),
    };
    let change = if row.kind == "returned" { Change::Returned } else { Change::Raised };
    let evidence = if change == Change::Returned { row.transition_evidence } else { row.evidence };
    let response = Condition::from_name(&row.condition).map_or("", Condition::response);
    let notice = Notice {
        notification_id: row.id,
        created_at: row.created_at,
        about: row
            .about_id
            .zip(row.about_created_at)
            .map(|(notification_id, created_at)| MessageKey { notification_id, created_at }),
        change,
        at: row.at,
        alarm_id: row.alarm_id,
        condition: row.condition,
        priority: row.priority,
        raised_at: row.raised_at,
        summary: row.summary,
        // A message without its numbers is better than none.
        facts: serde_json::from_value(evidence).unwrap_or_default(),
        response,
        place,
    };
    let addressee = Addressee {
        name: row.recipient,
        email: row.email,
        webhook_url: row.webhook_url,
        webhook_secret: row.webhook_secret,
        disabled: row.disabled,
    };
    Ok(Some((notice, addressee)))
}

/// Of an alarm of the whole bank, `bank` stands for the phase.
async fn regulator_place(conn: &mut PgConnection, id: i32, of_bank: bool) -> sqlx::Result<RegulatorPlace> {
    sqlx::query_as!(
        RegulatorPlace,
        r#"select g.id as regulator_id, u.name as substation, f.name as feeder, s.name as site, b.name as bank,
             case when $2 then 'bank' else g.phase end as "phase!", s.time_zone
         from regulator g
         join bank b on b.id = g.bank_id
         join site s on s.id = b.site_id
         join feeder f on f.id = s.feeder_id
         join substation u on u.id = f.substation_id
         where g.id = $1"#,
        id,
        of_bank
    )
    .fetch_one(conn)
    .await
}

async fn endpoint_place(conn: &mut PgConnection, id: i32) -> sqlx::Result<Place> {
    let row = sqlx::query!(
        r#"select p.address, coalesce(array_agg(distinct s.name) filter (where s.id is not null), '{}') as "sites!",
             case when count(distinct s.time_zone) = 1 then min(s.time_zone) end as time_zone
         from endpoint p
         left join regulator g on g.endpoint_id = p.id and g.retired_at is null
         left join bank b on b.id = g.bank_id
         left join site s on s.id = b.site_id
         where p.id = $1
         group by p.address"#,
        id
    )
    .fetch_one(conn)
    .await?;
    Ok(Place::Endpoint { id, address: row.address, sites: row.sites, time_zone: row.time_zone })
}
