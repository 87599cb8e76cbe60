//! What was done to reach somebody about an alarm, for its page.

use regulator::Timestamp;
use sqlx::PgConnection;

/// One calling: from an announcement until somebody acted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Escalated {
    /// The rota that it goes by; none where none covers the place.
    pub(crate) rota: Option<String>,
    /// When the next step is due, if one is.
    pub(crate) next_at: Option<Timestamp>,
    /// When and why it ended, in words.
    pub(crate) stopped: Option<(Timestamp, &'static str)>,
}

/// One step of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct CallStep {
    pub(crate) id: i64,
    pub(crate) round: i32,
    /// None for the last resort.
    pub(crate) level: Option<i16>,
    /// Who was on call.
    pub(crate) person: Option<String>,
    pub(crate) outcome: Told,
}

/// What came of a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Told {
    /// There are messages.
    Yes,
    /// Left out, why in words.
    PassedOver(&'static str),
    /// There was nobody at all.
    Nobody,
}

impl CallStep {
    /// "level 2, round 1".
    pub(crate) fn title(&self) -> String {
        let whom = self.level.map_or_else(|| "last resort".to_owned(), |level| format!("level {level}"));
        format!("{whom}, round {}", self.round)
    }
}

/// Every calling about an alarm, oldest first.
///
/// # Errors
/// When the database refuses.
pub(crate) async fn escalations_of(conn: &mut PgConnection, alarm_id: i64) -> sqlx::Result<Vec<Escalated>> {
    let rows = sqlx::query!(
        r#"select r.name as "rota?", case when e.state is not null then e.next_at end as next_at,
             e.stopped_at, e.stopped_why
           from escalation e left join rota r on r.id = e.rota_id where e.alarm_id = $1 order by e.id"#,
        alarm_id
    )
    .fetch_all(conn)
    .await?;
    Ok(rows
        .into_iter()
        .map(|row| Escalated {
            rota: row.rota,
            next_at: row.next_at,
            stopped: row.stopped_at.zip(row.stopped_why.as_deref().map(stopped)),
        })
        .collect())
}

/// Every step of them, in order.
///
/// # Errors
/// When the database refuses.
pub(crate) async fn steps_of(conn: &mut PgConnection, alarm_id: i64) -> sqlx::Result<Vec<CallStep>> {
    let rows = sqlx::query!(
        r#"select s.id, s.round, s.level, p.name as "person?", s.outcome, s.why
           from call_step s left join person p on p.id = s.person_id where s.alarm_id = $1 order by s.due_at, s.id"#,
        alarm_id
    )
    .fetch_all(conn)
    .await?;
    Ok(rows
        .into_iter()
        .map(|row| CallStep {
            id: row.id,
            round: row.round,
            level: row.level,
            person: row.person,
            outcome: told(&row.outcome, row.why.as_deref()),
        })
        .collect())
}

fn told(outcome: &str, why: Option<&str>) -> Told {
    match (outcome, why) {
        ("told", _) => Told::Yes,
        ("nobody", _) => Told::Nobody,
        (_, Some("nobody_on_call")) => Told::PassedOver("nobody was on call"),
        (_, Some("no_way")) => Told::PassedOver("whoever was on call has no way to be reached"),
        (_, Some("refused")) => Told::PassedOver("no message could be delivered"),
        (_, Some("not_wanted")) => Told::PassedOver("no recipient takes alarms of this priority"),
        _ => Told::PassedOver("it is not known why"),
    }
}

fn stopped(why: &str) -> &'static str {
    match why {
        "acknowledged" => "acknowledged",
        "returned" => "back to normal",
        _ => "shelved, suppressed or taken out of service",
    }
}
