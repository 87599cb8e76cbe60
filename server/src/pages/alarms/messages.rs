//! Who was told of an alarm, by which way, what became of it and what they did; and who was passed over.

use std::collections::BTreeMap;

use regulator::Timestamp;
use sqlx::PgConnection;
use web::alarms::{Attempt, Calling, Message};

use super::one::what;
use crate::notification::{
    Way,
    calling::{CallStep, Told, escalations_of, steps_of},
};

/// A message as it is stored.
struct Stored {
    id: i64,
    recipient: String,
    way: String,
    kind: String,
    state: String,
    last_error: Option<String>,
    reason: Option<String>,
    call_step_id: Option<i64>,
    answered: bool,
    /// Of a message told in a summary: that one's state and error.
    covering: Option<String>,
    covering_error: Option<String>,
}

/// Every message about an alarm, in the order in which they were written, each step of the escalation that told nobody in its place.
pub(super) async fn of(db: &mut PgConnection, alarm_id: i64) -> sqlx::Result<Vec<Message>> {
    let mut attempts = attempts(&mut *db, alarm_id).await?;
    let steps = steps_of(&mut *db, alarm_id).await?;
    let stored = sqlx::query_as!(
        Stored,
        r#"select n.id, r.name as recipient, n.way, t.kind, n.state, n.last_error, n.reason, n.call_step_id,
             n.answered_at is not null as "answered!", c.state as "covering?", c.last_error as covering_error
         from notification n
         join alarm_transition t on t.id = n.transition_id
         join recipient r on r.id = n.recipient_id
         left join notification c on c.id = n.covered_by
         where n.alarm_id = $1 order by n.id"#,
        alarm_id
    )
    .fetch_all(db)
    .await?;
    let title = |id| steps.iter().find(|step| Some(step.id) == id).map(CallStep::title);
    let mut messages: Vec<Message> = stored
        .into_iter()
        .map(|message| Message {
            way: Way::from_name(&message.way).map_or("an unknown way", Way::title),
            of: match title(message.call_step_id) {
                Some(step) => format!("{}, {step}", what(&message.kind)),
                None => what(&message.kind),
            },
            outcome: message.outcome(),
            failed: message.state == "given_up" || message.covering.as_deref() == Some("given_up"),
            attempts: attempts.remove(&message.id).unwrap_or_default(),
            recipient: message.recipient,
        })
        .collect();
    messages.extend(steps.iter().filter_map(untold));
    Ok(messages)
}

/// How far the latest calling about an alarm has come.
pub(super) async fn calling(db: &mut PgConnection, alarm_id: i64) -> sqlx::Result<Option<Calling>> {
    let latest = escalations_of(db, alarm_id).await?.pop();
    Ok(latest.map(|e| Calling { rota: e.rota, next_at: e.next_at, stopped: e.stopped }))
}

impl Stored {
    fn outcome(&self) -> String {
        let why = self.reason.as_deref().unwrap_or("it is not known why");
        let outcome = match self.state.as_str() {
            "quiet" => "waiting for the end of quiet hours".to_owned(),
            "held" => format!("held back: {why}"),
            "summed" => format!(
                "told in a summary, {}",
                outcome(self.covering.as_deref().unwrap_or_default(), self.covering_error.as_deref())
            ),
            "dropped" => format!("not sent: {why}"),
            state => outcome(state, self.last_error.as_deref()),
        };
        if self.answered { format!("{outcome}; acknowledged from it") } else { outcome }
    }
}

fn outcome(state: &str, last_error: Option<&str>) -> String {
    match (state, last_error) {
        ("sent", _) => "sent".to_owned(),
        ("given_up", Some(why)) => format!("given up: {why}"),
        ("given_up", None) => "given up".to_owned(),
        (_, Some(why)) => format!("not yet sent, will be tried again: {why}"),
        _ => "waiting to be sent".to_owned(),
    }
}

/// A step by which nobody was told.
fn untold(step: &CallStep) -> Option<Message> {
    let outcome = match step.outcome {
        Told::Yes => return None,
        Told::PassedOver(why) => format!("passed over: {why}"),
        Told::Nobody => {
            "nobody could be told: there is neither a recipient nor an administrator to tell".to_owned()
        }
    };
    let recipient = step.person.clone().unwrap_or_else(|| "Nobody".to_owned());
    let failed = step.outcome == Told::Nobody;
    Some(Message { recipient, way: "the rota", of: step.title(), outcome, failed, attempts: Vec::new() })
}

async fn attempts(db: &mut PgConnection, alarm_id: i64) -> sqlx::Result<BTreeMap<i64, Vec<Attempt>>> {
    struct Made {
        notification_id: i64,
        at: Timestamp,
        outcome: String,
        detail: Option<String>,
    }
    let rows = sqlx::query_as!(
        Made,
        "select a.notification_id, a.at, a.outcome, a.detail
         from notification_attempt a
         join notification n on n.id = a.notification_id
         where n.alarm_id = $1 order by a.id",
        alarm_id
    )
    .fetch_all(db)
    .await?;
    let mut by_message: BTreeMap<i64, Vec<Attempt>> = BTreeMap::new();
    for row in rows {
        let attempt = Attempt { at: row.at, outcome: row.outcome, detail: row.detail.unwrap_or_default() };
        by_message.entry(row.notification_id).or_default().push(attempt);
    }
    Ok(by_message)
}
