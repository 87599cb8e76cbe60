//! The outbox as a queue: claim what is due, keep the claim, record what came of it.
//!
//! A claim is committed before the attempt begins. It says: until `next_attempt_at`, this is mine. While a message is under way its
//! server moves that instant ahead; a server that was killed does not, and the message becomes due again. A claim is
//! known by the row's `attempts`, so what a server records after losing its claim changes nothing.

use std::time::Duration;

use chrono::{DateTime, Utc};
use sqlx::{PgConnection, postgres::types::PgInterval};

use super::Way;

/// One message claimed for one attempt.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Claim {
    pub(crate) id: i64,
    /// Which attempt this is; the first is 1.
    pub(crate) attempt: i32,
    pub(crate) recipient_id: i32,
}

/// Moves the end of these claims ahead; returns how many were still held. Leaves out those whose rows are locked: they are being
/// handed over, and nobody can claim them meanwhile.
pub(crate) async fn renew(conn: &mut PgConnection, claims: &[Claim], lasting: Duration) -> sqlx::Result<u64> {
    let ids: Vec<i64> = claims.iter().map(|c| c.id).collect();
    let attempts: Vec<i32> = claims.iter().map(|c| c.attempt).collect();
    let done = sqlx::query!(
        "update notification n set next_attempt_at = clock_timestamp() + $3
         from (select h.id from notification h join unnest($1::bigint[], $2::integer[]) as c (id, attempt)
                   on h.id = c.id and h.attempts = c.attempt
               where h.state = 'sending' order by h.id for update of h skip locked) as held
         where n.id = held.id",
        &ids,
        &attempts,
        interval(lasting),
    )
    .execute(conn)
    .await?;
    Ok(done.rows_affected())
}

/// Records that the message is out. Returns whether the claim was still held.
pub(crate) async fn record_sent(conn: &mut PgConnection, claim: &Claim, detail: &str) -> sqlx::Result<bool> {
    let done = sqlx::query!(
        "with done as (
             update notification set state = 'sent', sent_at = clock_timestamp(), last_error = null
             where id = $1 and attempts = $2 and state = 'sending' returning id)
         insert into notification_attempt (notification_id, outcome, detail) select id, 'sent', $3 from done",
        claim.id,
        claim.attempt,
        detail,
    )
    .execute(conn)
    .await?;
    Ok(done.rows_affected() > 0)
}

/// Adds to the record of a message that is out what the server said when it took it.
pub(crate) async fn note_reply(conn: &mut PgConnection, claim: &Claim, detail: &str) -> sqlx::Result<()> {
    sqlx::query!(
        "update notification_attempt set detail = $2 where notification_id = $1 and outcome = 'sent'",
        claim.id,
        detail
    )
    .execute(conn)
    .await
    .map(drop)
}

/// What to do after a failed attempt.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Next {
    /// Try again after `delay`, or give up if the message is older than `give_up_after` then.
    Retry { delay: Duration, give_up_after: Duration },
    /// Do not try again.
    GiveUp,
}

/// Records that the attempt failed, and what comes next. Returns whether the claim was still held.
pub(crate) async fn record_failed(
    conn: &mut PgConnection,
    claim: &Claim,
    detail: &str,
    next: Next,
) -> sqlx::Result<bool> {
    let (delay, give_up_after, outcome) = match next {
        Next::Retry { delay, give_up_after } => (delay, Some(interval(give_up_after)), "failed"),
        Next::GiveUp => (Duration::ZERO, None, "refused"),
    };
    let done = sqlx::query!(
        "with done as (
             update notification set
                 state = case when coalesce(retried_at, created_at) + $4 > clock_timestamp() then 'waiting' else 'given_up' end,
                 given_up_at = case when coalesce(retried_at, created_at) + $4 > clock_timestamp() then null else clock_timestamp() end,
                 next_attempt_at = clock_timestamp() + $5, last_error = $3
             where id = $1 and attempts = $2 and state = 'sending' returning id)
         insert into notification_attempt (notification_id, outcome, detail) select id, $6, $3 from done",
        claim.id,
        claim.attempt,
        detail,
        give_up_after,
        interval(delay),
        outcome,
    )
    .execute(conn)
    .await?;
    Ok(done.rows_affected() > 0)
}

/// Says on every waiting message of this way why it is not even tried, and gives up those too old.
pub(crate) async fn hold_back(
    conn: &mut PgConnection,
    way: Way,
    reason: &str,
    give_up_after: Duration,
) -> sqlx::Result<u64> {
    let done = sqlx::query!(
        "update notification set last_error = $2,
             state = case when coalesce(retried_at, created_at) + $3 > clock_timestamp() then 'waiting' else 'given_up' end,
             given_up_at = case when coalesce(retried_at, created_at) + $3 > clock_timestamp() then null else clock_timestamp() end
         where way = $1 and (state = 'waiting' or (state = 'sending' and next_attempt_at <= clock_timestamp()))
           and (last_error is distinct from $2 or coalesce(retried_at, created_at) + $3 <= clock_timestamp())",
        way.name(),
        reason,
        interval(give_up_after),
    )
    .execute(conn)
    .await?;
    Ok(done.rows_affected())
}

/// How the outbox stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Status {
    /// Messages waiting for their first or next attempt, for the end of quiet hours or for a summary.
    pub waiting: i64,
    /// Messages under way.
    pub sending: i64,
    /// Messages delivered.
    pub sent: i64,
    /// Messages given up.
    pub given_up: i64,
    /// When the oldest message that is neither out nor given up was written.
    pub oldest_waiting: Option<DateTime<Utc>>,
}

/// How the outbox stands now.
///
/// # Errors
/// When the database refuses.
pub async fn status(conn: &mut PgConnection) -> sqlx::Result<Status> {
    sqlx::query_as!(
        Status,
        r#"select count(*) filter (where state in ('waiting', 'quiet', 'held')) as "waiting!", count(*) filter (where state = 'sending') as "sending!",
             count(*) filter (where state = 'sent') as "sent!", count(*) filter (where state = 'given_up') as "given_up!",
             min(created_at) filter (where state in ('waiting', 'sending')) as oldest_waiting
         from notification"#
    )
    .fetch_one(conn)
    .await
}

pub(super) fn interval(duration: Duration) -> PgInterval {
    let microseconds = i64::try_from(duration.as_micros()).unwrap_or(i64::MAX);
    PgInterval { months: 0, days: 0, microseconds }
}
