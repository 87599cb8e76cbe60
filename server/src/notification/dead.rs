//! Messages that were given up, tried again when somebody asks for it.

use sqlx::PgConnection;

use super::outbox;

/// Puts a message that was given up back into the outbox, for as long as a new one is tried. Whether it was there to be put back.
///
/// # Errors
/// When the database refuses.
pub(crate) async fn retry(conn: &mut PgConnection, id: i64, person: &str) -> sqlx::Result<bool> {
    let done = sqlx::query!(
        "update notification set state = 'waiting', next_attempt_at = clock_timestamp(), given_up_at = null,
             retried_at = clock_timestamp(), retried_by = $2, dismissed_at = null
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
