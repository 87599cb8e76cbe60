//! Messages given up, and what is done about them: the one place that knows their rows.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;

/// Messages shown.
pub(super) const MOST: i64 = 100;

/// A message given up.
pub(super) struct Given {
    pub(super) id: i64,
    /// None of the alarm's when the message is about several.
    pub(super) alarm_id: Option<i64>,
    pub(super) condition: Option<String>,
    pub(super) priority: Option<i16>,
    pub(super) summary: Option<String>,
    pub(super) returned: bool,
    pub(super) kind: Option<String>,
    pub(super) recipient: String,
    pub(super) recipient_id: i32,
    pub(super) person_id: Option<i32>,
    pub(super) way: String,
    pub(super) last_error: Option<String>,
    pub(super) attempts: i32,
    pub(super) created_at: DateTime<Utc>,
    pub(super) last_at: Option<DateTime<Utc>>,
}

/// Those that nobody has put aside, latest first, one more than are shown.
pub(super) async fn list(db: &mut PgConnection) -> sqlx::Result<Vec<Given>> {
    sqlx::query_as!(
        Given,
        r#"select n.id, a.id as "alarm_id?", a.condition as "condition?", a.priority as "priority?", a.summary as "summary?",
             a.returned_at is not null as "returned!", t.kind as "kind?",
             coalesce(p.name, r.name) as "recipient!", r.id as recipient_id, r.person_id, n.way, n.last_error, n.attempts, n.created_at,
             (select max(at) from notification_attempt where notification_id = n.id) as last_at
           from notification n
           left join alarm_transition t on t.id = n.transition_id
           left join alarm a on a.id = t.alarm_id
           join recipient r on r.id = n.recipient_id
           left join person p on p.id = r.person_id
           where n.state = 'given_up' and n.dismissed_at is null
           order by n.id desc limit $1"#,
        MOST + 1
    )
    .fetch_all(db)
    .await
}

/// Puts a message aside.
pub(super) async fn dismiss(db: &mut PgConnection, id: i64, by: &str, why: &str) -> sqlx::Result<bool> {
    let done = sqlx::query!(
        "update notification set dismissed_at = clock_timestamp(), dismissed_by = $2, dismissed_why = $3
         where id = $1 and state = 'given_up' and dismissed_at is null",
        id,
        by,
        why
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}
