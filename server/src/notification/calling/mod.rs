//! Calls people until somebody acts: keeps each alarm's escalation, takes its steps when they are due, ends it when it has done its work.
//!
//! The order and the times are those of [`oncall::escalation`]; this does what comes out. [`prepare`] and [`stop`] run in the transaction that moved the
//! alarm, [`tick`] in the clock's. A step is a row of `call_step`, unique by round and level, and its messages are unique by step, recipient and way:
//! whatever is run twice, by whichever server, nobody is told twice. Whether an alarm calls for anybody is asked of the alarm itself, so it does
//! not matter in which order what happened is told.

mod people;
mod shown;
mod step;
#[cfg(test)]
mod tests;

use oncall::{
    escalation::{Action, Escalation, Plan, Reach, Target},
    rota::{LevelNumber, Rota},
};
use regulator::Timestamp;
use sqlx::PgConnection;

use people::People;
pub(crate) use shown::{CallStep, Told, escalations_of, steps_of};

/// Escalations taken further in one tick, at most; the others are taken by the next.
const AT_ONCE: i64 = 500;

/// Notes whom these announcements call: with the rota of the narrowest area that covers the alarm's place, feeder before substation before fleet.
///
/// # Errors
/// When the database refuses.
pub(super) async fn prepare(conn: &mut PgConnection, announced: &[i64]) -> sqlx::Result<()> {
    if announced.is_empty() {
        return Ok(());
    }
    sqlx::query!(
        "insert into escalation (alarm_id, transition_id, rota_id)
         select a.id, t.id, (
             select r.id from rota r, lateral (
                 select count(distinct v.feeder_id) as feeders, min(v.feeder_id) as feeder,
                     count(distinct v.substation_id) as substations, min(v.substation_id) as substation
                 from alarm_area v where v.alarm_id = a.id) w
             where r.area_kind = 'fleet'
                or (r.area_kind = 'substation' and w.substations = 1 and r.area_id = w.substation)
                or (r.area_kind = 'feeder' and w.feeders = 1 and a.substation_id is null and r.area_id = w.feeder)
             order by case r.area_kind when 'feeder' then 1 when 'substation' then 2 else 3 end limit 1)
         from (select alarm_id, max(id) as id from alarm_transition where id = any($1) group by alarm_id) t
         join alarm a on a.id = t.alarm_id
         left join alarm_point p on p.alarm_id = a.id
         where a.returned_at is null and a.acknowledged_at is null and not coalesce(p.held, false)
         order by a.id
         on conflict do nothing",
        announced
    )
    .execute(conn)
    .await
    .map(drop)
}

/// Ends the calling about those of these alarms about which nobody needs to be called any more, and drops what has not been sent of it.
///
/// # Errors
/// When the database refuses.
pub(super) async fn stop(conn: &mut PgConnection, quieted: &[i64], now: Timestamp) -> sqlx::Result<()> {
    if quieted.is_empty() {
        return Ok(());
    }
    let rows = sqlx::query!(
        r#"select a.id as "id!", case when a.returned_at is not null then 'returned' when a.acknowledged_at is not null then 'acknowledged'
                 else 'held' end as "why!"
           from alarm a left join alarm_point p on p.alarm_id = a.id
           where a.id = any($1)
             and (a.returned_at is not null or a.acknowledged_at is not null or coalesce(p.held, false))"#,
        quieted
    )
    .fetch_all(&mut *conn)
    .await?;
    let (ids, whys): (Vec<i64>, Vec<String>) = rows.into_iter().map(|row| (row.id, row.why)).unzip();
    sqlx::query!(
        "with over as (
             select e.id, o.why from escalation e join unnest($1::bigint[], $2::text[]) o (alarm_id, why) using (alarm_id)
             where e.stopped_at is null order by e.id for update of e)
         update escalation e set stopped_at = $3, stopped_why = over.why, next_at = null, current_step = null
         from over where e.id = over.id",
        &ids,
        &whys,
        now
    )
    .execute(&mut *conn)
    .await?;
    // Standing recipients hear of what was announced, even late; but nobody is woken in the morning by what is over.
    sqlx::query!(
        "with over as (
             select n.id, o.why from notification n
             join unnest($1::bigint[], $2::text[]) o (alarm_id, why) using (alarm_id)
             join alarm_transition t on t.id = n.transition_id and t.kind <> 'returned'
             where n.state = 'quiet' or (n.state in ('waiting', 'held') and n.occasion <> '')
             order by n.id for update of n)
         update notification n set state = 'dropped', reason = case over.why
             when 'returned' then 'the alarm returned to normal before it was sent'
             when 'acknowledged' then 'the alarm was acknowledged before it was sent'
             else 'the alarm was shelved, suppressed or taken out before it was sent' end
         from over where n.id = over.id",
        &ids,
        &whys
    )
    .execute(conn)
    .await
    .map(drop)
}

/// Takes every step that is due; how many messages that made.
///
/// # Errors
/// When the database refuses.
pub(super) async fn tick(conn: &mut PgConnection, now: Timestamp) -> sqlx::Result<u64> {
    refused(&mut *conn, now).await?;
    let due = due(&mut *conn, now).await?;
    if due.is_empty() {
        return Ok(0);
    }
    let people = People::load(&mut *conn).await?;
    let mut made = 0;
    for calling in due {
        made += calling.further(&mut *conn, &people, now).await?;
    }
    Ok(made)
}

/// One alarm's escalation, with what it goes by.
struct Calling {
    id: i64,
    alarm_id: i64,
    transition_id: i64,
    priority: i16,
    state: Option<serde_json::Value>,
    has_rota: bool,
    rota: Option<serde_json::Value>,
    plan: Option<serde_json::Value>,
}

/// Those that have a step due, each locked; what others have locked is left for the next time.
async fn due(conn: &mut PgConnection, now: Timestamp) -> sqlx::Result<Vec<Calling>> {
    sqlx::query_as!(
        Calling,
        r#"select e.id, e.alarm_id, e.transition_id, a.priority, e.state, r.id is not null as "has_rota!", r.rota as "rota?",
             u.plan as "plan?"
           from escalation e
           join alarm a on a.id = e.alarm_id
           left join rota r on r.id = e.rota_id
           left join alarm_rule u on u.priority = a.priority
           where e.stopped_at is null and e.next_at <= $1
           order by e.next_at, e.id limit $2
           for update of e skip locked"#,
        now,
        AT_ONCE
    )
    .fetch_all(conn)
    .await
}

impl Calling {
    async fn further(self, conn: &mut PgConnection, people: &People, now: Timestamp) -> sqlx::Result<u64> {
        let (plan, rota) = (self.plan(), self.rota());
        let mut state = self.known().unwrap_or_else(|| Escalation::start(&plan, now));
        let reach = |level: LevelNumber, at: Timestamp| match rota.on_call(level, at) {
            None => Reach::NobodyOnCall,
            Some(person) if people.reachable(person) => Reach::Reachable,
            Some(_) => Reach::NoWay,
        };
        let started_at = state.started_at;
        let steps = state.advance(&plan, rota.level_count(), now, reach);
        let (mut made, mut current) = (0, None);
        for step in steps {
            let doing = step::Doing {
                escalation_id: self.id,
                alarm_id: self.alarm_id,
                transition_id: self.transition_id,
                priority: self.priority,
                has_rota: self.has_rota,
                rota: &rota,
                people,
                step,
                // Whoever was told as a standing recipient at that moment is not told a second time.
                at_the_start: step.due_at == started_at,
                now,
            };
            let (id, messages) = doing.take(&mut *conn).await?;
            made += messages;
            current = id.filter(|_| step.action == Action::Tell && step.target != Target::LastResort);
        }
        let next_at = state.next_at;
        sqlx::query!(
            "update escalation set state = $2, next_at = $3, current_step = $4 where id = $1",
            self.id,
            serde_json::to_value(&state).unwrap_or_default(),
            next_at,
            current
        )
        .execute(conn)
        .await?;
        Ok(made)
    }

    fn known(&self) -> Option<Escalation> {
        let state = self.state.clone()?;
        serde_json::from_value(state)
            .inspect_err(|error| {
                tracing::error!(
                    alarm = self.alarm_id,
                    "the calling begins anew, as its state cannot be read: {error}"
                )
            })
            .ok()
    }

    /// That of the alarm's priority.
    fn plan(&self) -> Plan {
        let set = self
            .plan
            .clone()
            .and_then(|plan| serde_json::from_value::<Plan>(plan).ok())
            .filter(|plan| plan.check().is_ok());
        if self.plan.is_some() && set.is_none() {
            tracing::error!(
                priority = self.priority,
                "the plan of escalation is not usable; the standard one is taken"
            );
        }
        let priority = oncall::Priority::try_from(self.priority).unwrap_or(oncall::Priority::High);
        set.unwrap_or_else(|| Plan::standard(priority))
    }

    /// One without levels if there is none: then the last resort comes first.
    fn rota(&self) -> Rota {
        let none =
            Rota { zone: chrono_tz::UTC, levels: Vec::new(), holidays: std::collections::BTreeSet::new() };
        let Some(rota) = self.rota.clone() else { return none };
        serde_json::from_value(rota).unwrap_or_else(|error| {
            tracing::error!(alarm = self.alarm_id, "a rota cannot be read, everybody is told: {error}");
            none
        })
    }
}

/// Passes over at once each level whose every message has been given up.
async fn refused(conn: &mut PgConnection, now: Timestamp) -> sqlx::Result<()> {
    let rows = sqlx::query!(
        r#"select e.id, e.state as "state!", s.id as step_id, s.round, s.level as "level!"
           from escalation e join call_step s on s.id = e.current_step
           where e.stopped_at is null and e.state is not null and s.level is not null
             and s.id in (
                 select coalesce(n.call_step_id, h.call_step_id) from notification n left join notification h on h.covered_by = n.id
                 where n.given_up_at > clock_timestamp() - interval '1 day')
             and not exists (
                 select from notification n left join notification c on c.id = n.covered_by
                 where n.call_step_id = s.id and coalesce(c.state, n.state) <> 'given_up')
           for update of e skip locked"#
    )
    .fetch_all(&mut *conn)
    .await?;
    for row in rows {
        let Ok(mut state) = serde_json::from_value::<Escalation>(row.state) else { continue };
        let (round, level) =
            (u32::try_from(row.round).unwrap_or(1), LevelNumber::try_from(row.level).unwrap_or(1));
        state.refused(round, level, now);
        let next_at = state.next_at;
        sqlx::query!(
            "update escalation set state = $2, next_at = $3, current_step = null where id = $1",
            row.id,
            serde_json::to_value(&state).unwrap_or_default(),
            next_at
        )
        .execute(&mut *conn)
        .await?;
        sqlx::query!(
            "update call_step set outcome = 'passed_over', why = 'refused' where id = $1",
            row.step_id
        )
        .execute(&mut *conn)
        .await?;
    }
    Ok(())
}
