//! Quiet hours: what can wait is kept until a person's quiet hours end, and not sent at all if it is over by then.

use std::collections::BTreeMap;

use oncall::{Priority, quiet::QuietHours};
use regulator::Timestamp;
use sqlx::PgConnection;

/// Keeps those of these messages that can wait.
///
/// # Errors
/// When the database refuses. Quiet hours that cannot be read keep nothing back.
pub(super) async fn keep(conn: &mut PgConnection, ids: &[i64], now: Timestamp) -> sqlx::Result<()> {
    if ids.is_empty() {
        return Ok(());
    }
    let rows = sqlx::query!(
        r#"select n.id, n.priority as "priority!", r.id as recipient_id, r.quiet as "quiet!"
           from notification n join recipient r on r.id = n.recipient_id
           where n.id = any($1) and n.state = 'waiting' and r.quiet is not null and n.priority is not null"#,
        ids
    )
    .fetch_all(&mut *conn)
    .await?;
    let mut until: BTreeMap<Timestamp, Vec<i64>> = BTreeMap::new();
    for row in rows {
        let hours = serde_json::from_value::<QuietHours>(row.quiet);
        let (Ok(hours), Ok(priority)) = (hours, Priority::try_from(row.priority)) else {
            tracing::error!(recipient = row.recipient_id, "quiet hours that cannot be read are not kept");
            continue;
        };
        if let Some(end) = hours.until(now, priority) {
            until.entry(end).or_default().push(row.id);
        }
    }
    for (end, ids) in until {
        sqlx::query!(
            "update notification set state = 'quiet', quiet_until = $2, reason = 'quiet hours' where id = any($1)",
            &ids,
            end
        )
        .execute(&mut *conn)
        .await?;
    }
    Ok(())
}

/// Lets go of those whose quiet hours are over; how many.
///
/// # Errors
/// When the database refuses.
pub(super) async fn release(conn: &mut PgConnection, now: Timestamp) -> sqlx::Result<u64> {
    let done = sqlx::query!(
        "update notification set state = 'waiting', next_attempt_at = clock_timestamp(), reason = null
         where state = 'quiet' and quiet_until <= $1",
        now
    )
    .execute(conn)
    .await?;
    Ok(done.rows_affected())
}
