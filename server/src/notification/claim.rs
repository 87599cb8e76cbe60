//! What is sent next: claims due messages, holds what is more than a recipient gets in a while, and sums that up when there is room.
//!
//! Every claim of one way is made under a lock, so that two servers together do not send more than the cap allows. What is beyond the cap is `held`,
//! and becomes one summary ([`oncall::cap`] says when); each held message is marked with the summary that covers it, so nothing is lost. The first message
//! about a critical alarm counts only against others of its kind: what is less urgent never holds it up. Programs that take webhooks have no cap.

use std::{collections::HashMap, time::Duration};

use chrono::{DateTime, Utc};
use oncall::cap::{Admission, Cap, Summary};
use regulator::conditions::Priority;
use sqlx::{Acquire, PgConnection};

use super::{
    Way,
    queue::{Claim, interval},
};
use crate::locks;

/// How many of the messages that are due are looked at for one claim. Bounds the work when thousands wait.
const WINDOW: i64 = 500;
/// Why a message is held.
const HELD: &str = "more messages than one gets in a while; a summary follows";

/// Claims up to `limit` due messages, at most one a recipient and none of the `busy` recipients, most urgent first. A message is not due before what the
/// same recipient is to be told earlier of the same alarm is out or given up.
pub(crate) async fn claim(
    conn: &mut PgConnection,
    way: Way,
    limit: usize,
    busy: &[i32],
    lasting: Duration,
    cap: &Cap,
) -> sqlx::Result<Vec<Claim>> {
    let mut tx = conn.begin().await?;
    sqlx::query!("select pg_advisory_xact_lock($1)", locks::CLAIMS + way as i64).execute(&mut *tx).await?;
    let now = sqlx::query_scalar!(r#"select clock_timestamp() as "now!""#).fetch_one(&mut *tx).await?;
    sum_up(&mut tx, way, cap, now).await?;
    // Critical ones may stand far behind in a long queue.
    let mut due = due(&mut tx, way, busy, Priority::Critical).await?;
    let urgent: Vec<i64> = due.iter().map(|d| d.id).collect();
    due.extend(
        self::due(&mut tx, way, busy, Priority::Low).await?.into_iter().filter(|d| !urgent.contains(&d.id)),
    );
    let recipients: Vec<i32> = due.iter().filter(|d| d.capped).map(|d| d.recipient_id).collect();
    let traffic = if recipients.is_empty() {
        HashMap::new()
    } else {
        traffic(&mut tx, way, Some(&recipients), cap).await?
    };
    let chosen = choose(due, &traffic, cap, now, limit);
    hold(&mut tx, &chosen.hold).await?;
    let claims = take(&mut tx, &chosen.take, lasting).await?;
    tx.commit().await?;
    Ok(claims)
}

/// A message that could be sent now.
#[derive(Debug, Clone)]
struct Due {
    id: i64,
    recipient_id: i32,
    /// Of a summary: above all.
    priority: i16,
    next_attempt_at: DateTime<Utc>,
    /// Whether its recipient has a cap by this way.
    capped: bool,
    /// Whether it is sent whatever else has been: a summary, or what was being sent when its server ended.
    admitted: bool,
    /// Whether it is the first about a critical alarm.
    urgent: bool,
}

/// Those of at least this priority, oldest first.
async fn due(conn: &mut PgConnection, way: Way, busy: &[i32], least: Priority) -> sqlx::Result<Vec<Due>> {
    sqlx::query_as!(
        Due,
        r#"select n.id, n.recipient_id, coalesce(n.priority, 5::smallint) as "priority!", n.next_attempt_at,
             (r.person_id is not null or n.way <> 'webhook') as "capped!",
             (n.transition_id is null or n.state = 'sending') as "admitted!",
             (n.priority = 4 and not exists (
                 select from notification e where e.alarm_id = n.alarm_id and e.recipient_id = n.recipient_id and e.way = n.way
                   and e.id < n.id and e.state in ('sent', 'summed'))) is true as "urgent!"
         from notification n
         join recipient r on r.id = n.recipient_id
         where n.way = $1 and n.state in ('waiting', 'sending') and n.next_attempt_at <= clock_timestamp()
           and n.recipient_id <> all($2) and coalesce(n.priority, 5::smallint) >= $3
           and not exists (
               select from notification e where e.alarm_id = n.alarm_id and e.recipient_id = n.recipient_id and e.way = n.way
                 and e.id < n.id and (e.state in ('waiting', 'sending', 'quiet', 'held') or (e.state = 'summed' and exists (
                     select from notification c where c.id = e.covered_by and c.state in ('waiting', 'sending')))))
         order by n.next_attempt_at, n.id limit $4"#,
        way.name(),
        busy,
        least.level(),
        WINDOW,
    )
    .fetch_all(conn)
    .await
}

/// What a recipient has got lately by a way, and what is held.
#[derive(Debug, Default)]
struct Traffic {
    /// When messages were sent, or are being sent; with whether they are about critical alarms.
    sent: Vec<(DateTime<Utc>, bool)>,
    held: usize,
    held_critical: usize,
}

impl Traffic {
    fn all(&self) -> Vec<DateTime<Utc>> {
        self.sent.iter().map(|(at, _)| *at).collect()
    }

    fn critical(&self) -> Vec<DateTime<Utc>> {
        self.sent.iter().filter(|(_, critical)| *critical).map(|(at, _)| *at).collect()
    }
}

/// Of these recipients, or of all for whom something is held.
async fn traffic(
    conn: &mut PgConnection,
    way: Way,
    recipients: Option<&[i32]>,
    cap: &Cap,
) -> sqlx::Result<HashMap<i32, Traffic>> {
    let mut all: HashMap<i32, Traffic> = HashMap::new();
    let held = sqlx::query!(
        r#"select recipient_id, count(*) as "held!", count(*) filter (where priority = 4) as "critical!" from notification
         where way = $1 and state = 'held' and ($2::integer[] is null or recipient_id = any($2)) group by recipient_id"#,
        way.name(),
        recipients as Option<&[i32]>,
    )
    .fetch_all(&mut *conn)
    .await?;
    for row in held {
        let traffic = all.entry(row.recipient_id).or_default();
        traffic.held = usize::try_from(row.held).unwrap_or(0);
        traffic.held_critical = usize::try_from(row.critical).unwrap_or(0);
    }
    let of: Vec<i32> = recipients.map_or_else(|| all.keys().copied().collect(), <[i32]>::to_vec);
    let sent = sqlx::query!(
        r#"select recipient_id, coalesce(sent_at, clock_timestamp()) as "at!", priority = 4 is true as "critical!" from notification
         where way = $1 and recipient_id = any($2)
           and (state = 'sending' or (state = 'sent' and sent_at > clock_timestamp() - $3::interval))"#,
        way.name(),
        &of,
        interval(Duration::from_secs(cap.window_s.into())),
    )
    .fetch_all(conn)
    .await?;
    for row in sent {
        all.entry(row.recipient_id).or_default().sent.push((row.at, row.critical));
    }
    Ok(all)
}

/// What to do.
#[derive(Debug, Default, PartialEq, Eq)]
struct Chosen {
    take: Vec<i64>,
    hold: Vec<i64>,
}

fn choose(
    due: Vec<Due>,
    traffic: &HashMap<i32, Traffic>,
    cap: &Cap,
    now: DateTime<Utc>,
    limit: usize,
) -> Chosen {
    let mut by_recipient: HashMap<i32, Vec<Due>> = HashMap::new();
    for one in due {
        by_recipient.entry(one.recipient_id).or_default().push(one);
    }
    let nothing = Traffic::default();
    let (mut firsts, mut hold) = (Vec::new(), Vec::new());
    for (recipient, mut due) in by_recipient {
        due.sort_by_key(|d| (std::cmp::Reverse(d.priority), d.next_attempt_at, d.id));
        let traffic = traffic.get(&recipient).unwrap_or(&nothing);
        let admits = |d: &Due| match (d.capped && !d.admitted, d.urgent) {
            (false, _) => true,
            (true, true) => cap.admit(now, &traffic.critical(), traffic.held_critical) == Admission::Send,
            (true, false) => cap.admit(now, &traffic.all(), traffic.held) == Admission::Send,
        };
        match due.iter().position(admits) {
            Some(first) => {
                hold.extend(due[..first].iter().map(|d| d.id));
                firsts.push(due.swap_remove(first));
            }
            None => hold.extend(due.iter().map(|d| d.id)),
        }
    }
    firsts.sort_by_key(|d| (d.next_attempt_at, d.id));
    Chosen { take: firsts.into_iter().take(limit).map(|d| d.id).collect(), hold }
}

async fn hold(conn: &mut PgConnection, ids: &[i64]) -> sqlx::Result<()> {
    if ids.is_empty() {
        return Ok(());
    }
    sqlx::query!(
        "update notification set state = 'held', reason = $2 where id = any($1) and state = 'waiting'",
        ids,
        HELD
    )
    .execute(conn)
    .await
    .map(drop)
}

async fn take(conn: &mut PgConnection, ids: &[i64], lasting: Duration) -> sqlx::Result<Vec<Claim>> {
    if ids.is_empty() {
        return Ok(Vec::new());
    }
    sqlx::query_as!(
        Claim,
        r#"with locked as (
             select n.id, n.state from notification n
             where n.id = any($1) and n.state in ('waiting', 'sending') and n.next_attempt_at <= clock_timestamp()
             order by n.id for update of n skip locked
         ), unknown as (
             insert into notification_attempt (notification_id, outcome, detail)
             select id, 'unknown', 'the server that tried ended before it knew the outcome' from locked where state = 'sending'
         )
         update notification n
         set state = 'sending', attempts = attempts + 1, next_attempt_at = clock_timestamp() + $2,
             -- the same link in each attempt, so that it is the same message, unless it would soon run out
             answer_until = case when n.answer_until > clock_timestamp() + interval '1 hour' then n.answer_until
                 else clock_timestamp() + interval '2 hours' end
         from locked where locked.id = n.id
         returning n.id, n.attempts as attempt, n.recipient_id"#,
        ids,
        interval(lasting),
    )
    .fetch_all(conn)
    .await
}

/// Makes the summaries that are due. A message that is held alone is sent as it is.
async fn sum_up(conn: &mut PgConnection, way: Way, cap: &Cap, now: DateTime<Utc>) -> sqlx::Result<()> {
    let mut held: Vec<_> = traffic(&mut *conn, way, None, cap).await?.into_iter().collect();
    held.sort_by_key(|(recipient, _)| *recipient);
    for (recipient, traffic) in held {
        if cap.summary_due(traffic.held, &traffic.all(), now) != Summary::Due {
            continue;
        }
        if traffic.held == 1 {
            sqlx::query!(
                "update notification set state = 'waiting', reason = null, next_attempt_at = clock_timestamp()
                 where recipient_id = $1 and way = $2 and state = 'held'",
                recipient,
                way.name()
            )
            .execute(&mut *conn)
            .await?;
        } else {
            cover(&mut *conn, way, recipient).await?;
        }
    }
    Ok(())
}

/// One summary for all that is held for a recipient, and for the returns of the same alarms.
async fn cover(conn: &mut PgConnection, way: Way, recipient: i32) -> sqlx::Result<()> {
    let id = sqlx::query_scalar!(
        "insert into notification (recipient_id, way, occasion) values ($1, $2, 'summary') returning id",
        recipient,
        way.name()
    )
    .fetch_one(&mut *conn)
    .await?;
    sqlx::query!(
        "with covered as (
             select n.id from notification n
             where n.recipient_id = $2 and n.way = $3 and (n.state = 'held' or (n.state = 'waiting' and n.attempts = 0
                 and exists (select from alarm_transition t where t.id = n.transition_id and t.kind = 'returned')
                 and exists (select from notification h where h.alarm_id = n.alarm_id and h.recipient_id = $2 and h.way = $3
                     and h.state = 'held')))
             order by n.id for update of n)
         update notification n set state = 'summed', covered_by = $1, reason = 'told in a summary'
         from covered where covered.id = n.id",
        id,
        recipient,
        way.name()
    )
    .execute(conn)
    .await
    .map(drop)
}

#[cfg(test)]
mod tests;
