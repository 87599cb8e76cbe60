//! What a message says, before it is put into the words of an e-mail, of a text or the fields of a webhook.

use chrono::{DateTime, Utc};
use regulator::conditions::{Change, Condition, Fact, Priority};
use sqlx::PgConnection;

use super::{answer, place, summary::Summary};

pub(crate) use super::place::Place;
#[cfg(test)]
pub(crate) use super::place::RegulatorPlace;

/// What is to be told.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Content {
    /// One alarm.
    Alarm(Box<Notice>),
    /// Several at once.
    Summary(Summary),
}

/// Everything known about the transition that a message tells of.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Notice {
    pub(crate) notification_id: i64,
    /// When the message was put into the outbox.
    pub(crate) created_at: DateTime<Utc>,
    /// The message about the same alarm that went to the same recipient before.
    pub(crate) previous: Option<MessageKey>,
    pub(crate) change: Change,
    /// It was acknowledged, and has been raised again as nothing changed.
    pub(crate) again: bool,
    pub(crate) at: DateTime<Utc>,
    pub(crate) alarm_id: i64,
    pub(crate) condition: String,
    pub(crate) priority: i16,
    pub(crate) raised_at: DateTime<Utc>,
    pub(crate) summary: String,
    pub(crate) facts: Vec<Fact>,
    pub(crate) place: Place,
    /// Why this recipient is told: a step of the escalation.
    pub(crate) call: Option<Call>,
    /// The token of the link by which it can be acknowledged.
    pub(crate) answer: Option<String>,
}

/// A step of an escalation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Call {
    pub(crate) round: i32,
    /// None for the last resort.
    pub(crate) level: Option<i16>,
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

/// Where the message goes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Addressee {
    pub(crate) name: String,
    pub(crate) email: Option<String>,
    pub(crate) webhook_url: Option<String>,
    pub(crate) webhook_secret: Option<String>,
    /// The one before it, while it is still in use.
    pub(crate) old_secret: Option<String>,
    pub(crate) text_email: Option<String>,
    pub(crate) text_url: Option<String>,
    pub(crate) text_number: Option<String>,
    pub(crate) text_secret: Option<String>,
    /// Whether it no longer wants to hear anything.
    pub(crate) disabled: bool,
}

impl Call {
    /// Whether somebody was called before and has not answered.
    pub(crate) fn is_repeated(self) -> bool {
        self.round > 1 || self.level.is_some_and(|level| level > 1)
    }

    /// For the person who is called.
    pub(crate) fn words(self) -> String {
        let whom = match self.level {
            Some(level) => format!("You are called as level {level} of those on call"),
            None => "Everybody is told, as nobody on call has acknowledged this".to_owned(),
        };
        match (self.round, self.is_repeated(), self.level) {
            (1, true, Some(_)) => format!("{whom}; nobody before you has acknowledged this."),
            (1, ..) => format!("{whom}."),
            (round, ..) => format!("{whom}, in round {round}; nobody has acknowledged this yet."),
        }
    }
}

impl Notice {
    pub(crate) fn key(&self) -> MessageKey {
        MessageKey { notification_id: self.notification_id, created_at: self.created_at }
    }

    /// What names the conversation about its alarm.
    pub(crate) fn root(&self) -> String {
        format!("about.{}.{:x}", self.alarm_id, self.raised_at.timestamp_micros())
    }

    /// What the program knows about the condition; none for one that it no longer has.
    pub(crate) fn known_condition(&self) -> Option<Condition> {
        Condition::from_name(&self.condition)
    }

    /// The condition's name for people.
    pub(crate) fn title(&self) -> String {
        title(&self.condition)
    }

    /// The priority's name for people.
    pub(crate) fn priority_title(&self) -> &'static str {
        Priority::from_level(self.priority).map_or("unknown", Priority::title)
    }

    /// What to do.
    pub(crate) fn response(&self) -> &'static str {
        self.known_condition().map_or("", Condition::response)
    }

    /// Where the alarm's page is.
    pub(crate) fn link(&self, public_url: &str) -> String {
        format!("{}/alarms/{}", public_url.trim_end_matches('/'), self.alarm_id)
    }

    /// Where it can be acknowledged without signing in.
    pub(crate) fn answer_link(&self, public_url: &str) -> Option<String> {
        self.answer.as_deref().map(|token| answer::link(public_url, token))
    }
}

/// A condition's name for people.
pub(crate) fn title(condition: &str) -> String {
    Condition::from_name(condition).map_or_else(|| condition.to_owned(), |c| c.title().to_owned())
}

/// Reads the message with this id and where it goes; none if there is no such message.
pub(crate) async fn load(conn: &mut PgConnection, id: i64) -> sqlx::Result<Option<(Content, Addressee)>> {
    let Some(addressee) = addressee(&mut *conn, id).await? else { return Ok(None) };
    let content = match alarm(&mut *conn, id).await? {
        Some(notice) => Content::Alarm(Box::new(notice)),
        None => Content::Summary(Summary::load(conn, id).await?),
    };
    Ok(Some((content, addressee)))
}

async fn addressee(conn: &mut PgConnection, id: i64) -> sqlx::Result<Option<Addressee>> {
    sqlx::query_as!(
        Addressee,
        r#"select r.name, r.email, r.webhook_url, r.webhook_secret,
             case when r.webhook_secret_old_until > clock_timestamp() then r.webhook_secret_old end as old_secret,
             r.text_email, r.text_url, r.text_number, r.text_secret,
             r.disabled_at is not null or p.disabled_at is not null as "disabled!"
         from notification n
         join recipient r on r.id = n.recipient_id
         left join person p on p.id = r.person_id
         where n.id = $1"#,
        id
    )
    .fetch_optional(conn)
    .await
}

/// None for a summary.
async fn alarm(conn: &mut PgConnection, id: i64) -> sqlx::Result<Option<Notice>> {
    let Some(row) = sqlx::query!(
        r#"select n.id, n.created_at, n.answer_until, t.kind, t.at, t.evidence as transition_evidence, a.id as alarm_id, a.condition,
             a.priority, a.raised_at, a.summary, a.evidence, a.regulator_id, a.bank_id is not null as "of_bank!", a.endpoint_id,
             a.poller, a.substation_id, a.part,
             e.id as "previous_id?", e.created_at as "previous_created_at?",
             s.round as "round?", s.level as "level?",
             p.role as "role?"
         from notification n
         join recipient r on r.id = n.recipient_id
         left join person p on p.id = r.person_id
         join alarm_transition t on t.id = n.transition_id
         join alarm a on a.id = t.alarm_id
         left join call_step s on s.id = n.call_step_id
         left join lateral (
             select b.id, b.created_at from notification b
             where b.alarm_id = n.alarm_id and b.recipient_id = n.recipient_id and b.way = n.way and b.id < n.id and b.state = 'sent'
             order by b.id desc limit 1) e on true
         where n.id = $1"#,
        id
    )
    .fetch_optional(&mut *conn)
    .await?
    else {
        return Ok(None);
    };
    let change = if row.kind == "returned" { Change::Returned } else { Change::Raised };
    // Whoever may not acknowledge at the desk may not do so from a message.
    let may_answer = row.role.as_deref() != Some("view");
    let answer = match row.answer_until {
        Some(until) if change == Change::Raised && may_answer => {
            Some(answer::token(&answer::key(&mut *conn).await?, row.id, until))
        }
        _ => None,
    };
    let about = place::About {
        regulator_id: row.regulator_id,
        of_bank: row.of_bank,
        endpoint_id: row.endpoint_id,
        poller: row.poller,
        substation_id: row.substation_id,
        part: row.part,
    };
    let evidence = if change == Change::Returned { row.transition_evidence } else { row.evidence };
    Ok(Some(Notice {
        notification_id: row.id,
        created_at: row.created_at,
        previous: row
            .previous_id
            .zip(row.previous_created_at)
            .map(|(notification_id, created_at)| MessageKey { notification_id, created_at }),
        change,
        again: row.kind == "raised_again",
        at: row.at,
        alarm_id: row.alarm_id,
        condition: row.condition,
        priority: row.priority,
        raised_at: row.raised_at,
        summary: row.summary,
        // A message without its numbers is better than none.
        facts: serde_json::from_value(evidence).unwrap_or_default(),
        place: place::load(conn, about).await?,
        call: row.round.map(|round| Call { round, level: row.level }),
        answer,
    }))
}
