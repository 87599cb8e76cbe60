//! Messages that were given up: listed until somebody tries them again.

use regulator::Timestamp;
use sqlx::PgConnection;

use super::{Way, notice, outbox};

/// A message that was given up.
#[derive(Debug, Clone, PartialEq, Eq)]
#[cfg_attr(not(test), allow(dead_code, reason = "for the page of undelivered messages"))]
pub(crate) struct DeadLetter {
    pub(crate) id: i64,
    /// None for a summary.
    pub(crate) alarm_id: Option<i64>,
    /// The condition's title, or "summary".
    pub(crate) title: String,
    /// Where; empty for a summary.
    pub(crate) place: String,
    /// None for a summary.
    pub(crate) priority: Option<i16>,
    pub(crate) recipient_id: i32,
    pub(crate) recipient: String,
    pub(crate) way: &'static str,
    pub(crate) created_at: Timestamp,
    /// None for one given up before this was kept.
    pub(crate) given_up_at: Option<Timestamp>,
    pub(crate) attempts: i32,
    /// What went wrong the last time.
    pub(crate) why: String,
    /// Who tried it again before, if somebody did.
    pub(crate) retried_by: Option<String>,
}

/// Those given up, the latest first; after the one with the number `before`, where a page goes on.
///
/// # Errors
/// When the database refuses.
#[cfg_attr(not(test), allow(dead_code, reason = "for the page of undelivered messages"))]
pub(crate) async fn dead_letters(
    conn: &mut PgConnection,
    before: Option<i64>,
    limit: i64,
) -> sqlx::Result<Vec<DeadLetter>> {
    let rows = sqlx::query!(
        r#"select n.id, n.alarm_id, a.condition as "condition?", a.place as "place?", n.priority, n.recipient_id,
             r.name as recipient, n.way, n.created_at, n.given_up_at, n.attempts, n.last_error, n.retried_by
           from notification n
           join recipient r on r.id = n.recipient_id
           left join alarm_shown a on a.id = n.alarm_id
           where n.state = 'given_up' and n.id < $1
           order by n.id desc limit $2"#,
        before.unwrap_or(i64::MAX),
        limit
    )
    .fetch_all(conn)
    .await?;
    let letters = rows.into_iter().map(|row| DeadLetter {
        id: row.id,
        alarm_id: row.alarm_id,
        title: row.condition.as_deref().map_or_else(|| "summary".to_owned(), notice::title),
        place: row.place.unwrap_or_default(),
        priority: row.priority,
        recipient_id: row.recipient_id,
        recipient: row.recipient,
        way: Way::from_name(&row.way).map_or("unknown", Way::title),
        created_at: row.created_at,
        given_up_at: row.given_up_at,
        attempts: row.attempts,
        why: row.last_error.unwrap_or_default(),
        retried_by: row.retried_by,
    });
    Ok(letters.collect())
}

/// Puts a message that was given up back into the outbox, for as long as a new one is tried. Whether it was there to be put back.
///
/// # Errors
/// When the database refuses.
pub(crate) async fn retry(conn: &mut PgConnection, id: i64, person: &str) -> sqlx::Result<bool> {
    let done = sqlx::query!(
        "update notification set state = 'waiting', next_attempt_at = clock_timestamp(), given_up_at = null,
             retried_at = clock_timestamp(), retried_by = $2
         where id = $1 and state = 'given_up'",
        id,
        person
    )
    .execute(&mut *conn)
    .await?;
    let found = done.rows_affected() == 1;
    outbox::ring(conn, found).await?;
    Ok(found)
}

/// How many messages were given up since an instant and have not been tried again.
///
/// # Errors
/// When the database refuses.
#[cfg_attr(not(test), allow(dead_code, reason = "for the watch over delivery"))]
pub(crate) async fn undelivered_since(conn: &mut PgConnection, since: Timestamp) -> sqlx::Result<i64> {
    sqlx::query_scalar!(r#"select count(*) as "count!" from notification where given_up_at >= $1"#, since)
        .fetch_one(conn)
        .await
}
