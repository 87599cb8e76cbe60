//! One step of an escalation: its row, and the messages of whom it tells.

use std::collections::BTreeSet;

use oncall::{
    escalation::{Action, Step, Target, Unreachable},
    rota::Rota,
};
use regulator::Timestamp;
use sqlx::PgConnection;

use super::people::{self, People};
use crate::notification::quiet;

/// A step with all that it goes by.
pub(super) struct Doing<'a> {
    pub(super) escalation_id: i64,
    pub(super) alarm_id: i64,
    pub(super) transition_id: i64,
    pub(super) priority: i16,
    pub(super) has_rota: bool,
    pub(super) rota: &'a Rota,
    pub(super) people: &'a People,
    pub(super) step: Step,
    pub(super) at_the_start: bool,
    pub(super) now: Timestamp,
}

/// What comes of a step, as `call_step` has it.
struct Outcome {
    name: &'static str,
    why: Option<&'static str>,
    recipients: Vec<i32>,
}

impl Outcome {
    fn told(recipients: Vec<i32>) -> Self {
        Self { name: "told", why: None, recipients }
    }

    fn not_told(name: &'static str, why: Option<&'static str>) -> Self {
        Self { name, why, recipients: Vec::new() }
    }
}

impl Doing<'_> {
    /// Takes the step: its row, if it has not been taken already, and how many messages it made.
    pub(super) async fn take(&self, conn: &mut PgConnection) -> sqlx::Result<(Option<i64>, u64)> {
        let level = match self.step.target {
            Target::Level(level) => Some(level),
            Target::LastResort => None,
        };
        let person = level.and_then(|level| self.rota.on_call(level, self.step.due_at));
        let outcome = match (self.step.action, level) {
            (Action::PassedOver(Unreachable::NobodyOnCall), _) => {
                Outcome::not_told("passed_over", Some("nobody_on_call"))
            }
            (Action::PassedOver(Unreachable::NoWay), _) => Outcome::not_told("passed_over", Some("no_way")),
            (Action::Tell, Some(_)) => {
                Outcome::told(person.and_then(|p| self.people.recipient(p)).into_iter().collect())
            }
            (Action::Tell, None) => self.last_resort(&mut *conn).await?,
        };
        let id = sqlx::query_scalar!(
            "insert into call_step (escalation_id, alarm_id, round, level, due_at, person_id, outcome, why)
             values ($1, $2, $3, $4, $5, (select id from person where id = $6), $7, $8)
             on conflict on constraint call_step_once do nothing returning id",
            self.escalation_id,
            self.alarm_id,
            i32::try_from(self.step.round).unwrap_or(i32::MAX),
            level.map(i16::from),
            self.step.due_at,
            person.map(|p| p.0),
            outcome.name,
            outcome.why,
        )
        .fetch_optional(&mut *conn)
        .await?;
        let made = match id {
            Some(id) if !outcome.recipients.is_empty() => {
                self.tell(conn, id, level.map(i16::from), &outcome.recipients).await?
            }
            _ => 0,
        };
        Ok((id, made))
    }

    /// Everybody of the rota and the standing recipients; the administrators, if these are none.
    async fn last_resort(&self, conn: &mut PgConnection) -> sqlx::Result<Outcome> {
        let standing = people::standing(&mut *conn, self.alarm_id).await?;
        let of_rota = self.rota.everybody(self.step.due_at);
        let told: BTreeSet<i32> = of_rota
            .into_iter()
            .filter_map(|person| self.people.recipient(person))
            .chain(standing.iter().filter(|s| s.wants).map(|s| s.recipient_id))
            .collect();
        if !told.is_empty() {
            return Ok(Outcome::told(told.into_iter().collect()));
        }
        if !self.has_rota && !standing.is_empty() {
            // They have said that they need not hear of what is less urgent.
            return Ok(Outcome::not_told("passed_over", Some("not_wanted")));
        }
        let administrators = people::administrators(conn).await?;
        if administrators.is_empty() {
            tracing::error!(
                alarm = self.alarm_id,
                "nobody can be told of this alarm: there is neither a recipient nor a rota nor an administrator to tell"
            );
            return Ok(Outcome::not_told("nobody", None));
        }
        Ok(Outcome::told(administrators))
    }

    async fn tell(
        &self,
        conn: &mut PgConnection,
        step_id: i64,
        level: Option<i16>,
        recipients: &[i32],
    ) -> sqlx::Result<u64> {
        if self.at_the_start {
            sqlx::query!(
                "update notification set call_step_id = $1
                 where transition_id = $2 and recipient_id = any($3) and occasion = '' and call_step_id is null",
                step_id,
                self.transition_id,
                recipients
            )
            .execute(&mut *conn)
            .await?;
        }
        let level = level.map_or_else(|| "last".to_owned(), |level| level.to_string());
        let occasion = format!("{}.{level}", self.step.round);
        let made = sqlx::query_scalar!(
            "insert into notification (transition_id, alarm_id, priority, recipient_id, way, call_step_id, occasion)
             select $2, $3, $4, r.id, w.way, $1, $5
             from recipient r
             cross join lateral (values ('email', r.email), ('webhook', r.webhook_url), ('text_email', r.text_email),
                 ('text_http', r.text_url)) as w (way, address)
             where r.id = any($6) and w.address is not null
               and not ($7 and exists (
                   select from notification e where e.transition_id = $2 and e.recipient_id = r.id and e.way = w.way
                     and e.occasion = ''))
             order by r.id
             on conflict (transition_id, recipient_id, way, occasion) do nothing
             returning id",
            step_id,
            self.transition_id,
            self.alarm_id,
            self.priority,
            occasion,
            recipients,
            self.at_the_start,
        )
        .fetch_all(&mut *conn)
        .await?;
        quiet::keep(conn, &made, self.now).await?;
        Ok(made.len() as u64)
    }
}
