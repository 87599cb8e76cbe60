//! The newest reading of each regulator: one indexed look-up each.

use sqlx::PgConnection;

use crate::feed::{self, BatchReading};

/// The newest reading of each of `regulators` that has one.
///
/// # Errors
/// When the database cannot be asked.
pub async fn latest(connection: &mut PgConnection, regulators: &[i32]) -> sqlx::Result<Vec<BatchReading>> {
    let newest = sqlx::query!(
        r#"select r.id as "id!", l.measured_at as "measured_at!"
            from unnest($1::integer[]) r(id)
            cross join lateral (select measured_at from reading where regulator_id = r.id
                order by measured_at desc limit 1) l"#,
        regulators
    )
    .fetch_all(&mut *connection)
    .await?;
    let keys: Vec<_> = newest.into_iter().map(|row| (row.id, row.measured_at)).collect();
    feed::at(connection, &keys).await
}
