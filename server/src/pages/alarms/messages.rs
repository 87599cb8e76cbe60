//! Who was told of an alarm, by which way, and what became of it.

use std::collections::BTreeMap;

use regulator::Timestamp;
use sqlx::PgConnection;
use web::alarms::{Attempt, Message};

use super::one::what;

/// Every message about an alarm, in the order in which they were written.
pub(super) async fn of(db: &mut PgConnection, alarm_id: i64) -> sqlx::Result<Vec<Message>> {
    let mut attempts = attempts(db, alarm_id).await?;
    let rows = sqlx::query!(
        "select n.id, r.name, n.way, t.kind, n.state, n.last_error
         from notification n
         join alarm_transition t on t.id = n.transition_id
         join recipient r on r.id = n.recipient_id
         where t.alarm_id = $1 order by n.id",
        alarm_id
    )
    .fetch_all(db)
    .await?;
    let message = |row: _| {
        let row: (i64, String, String, String, String, Option<String>) = row;
        let (id, recipient, way, kind, state, last_error) = row;
        Message {
            recipient,
            way: if way == "email" { "e-mail" } else { "webhook" },
            of: what(&kind),
            outcome: outcome(&state, last_error.as_deref()),
            failed: state == "given_up",
            attempts: attempts.remove(&id).unwrap_or_default(),
        }
    };
    let plain = rows.into_iter().map(|r| (r.id, r.name, r.way, r.kind, r.state, r.last_error));
    Ok(plain.map(message).collect())
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

async fn attempts(db: &mut PgConnection, alarm_id: i64) -> sqlx::Result<BTreeMap<i64, Vec<Attempt>>> {
    struct Stored {
        notification_id: i64,
        at: Timestamp,
        outcome: String,
        detail: Option<String>,
    }
    let rows = sqlx::query_as!(
        Stored,
        "select a.notification_id, a.at, a.outcome, a.detail
         from notification_attempt a
         join notification n on n.id = a.notification_id
         join alarm_transition t on t.id = n.transition_id
         where t.alarm_id = $1 order by a.id",
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
