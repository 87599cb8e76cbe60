//! Batches: what one writing transaction of a poller added.

use regulator::Timestamp;
use serde::Deserialize;
use serde_json::Value;
use sqlx::PgConnection;

/// Most batches taken at once, however few readings they name.
const MOST_BATCHES: i64 = 500;

/// One committed batch.
#[derive(Debug, Clone, PartialEq)]
pub struct Batch {
    /// Its place in the feed; larger is later, and gaps mean nothing.
    pub id: i64,
    /// The poller that wrote it.
    pub poller: String,
    /// When that poller process began.
    pub session_started_at: Timestamp,
    /// When it was written, by the database's clock.
    pub written_at: Timestamp,
    /// Everything that this poller measured before this instant is stored.
    pub watermark: Timestamp,
    /// The readings it added or changed: regulator and instant. Empty in a mere sign of life.
    pub keys: Vec<(i32, Timestamp)>,
    /// What was failing when it was written.
    pub failing: Vec<Failing>,
}

/// An endpoint, or one unit behind it, that does not answer.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct Failing {
    /// The endpoint.
    pub endpoint: i32,
    /// The unit behind it, or nothing when the endpoint itself does not answer.
    #[serde(default)]
    pub unit: Option<i32>,
    /// Since when.
    pub since: Timestamp,
    /// What went wrong, for people.
    #[serde(default)]
    pub error: String,
}

/// The batches after `id` in order: as many as name at most about `most_readings` readings, yet one at least if there is one.
///
/// # Errors
/// When the database cannot be asked.
pub async fn after(connection: &mut PgConnection, id: i64, most_readings: i64) -> sqlx::Result<Vec<Batch>> {
    let rows = sqlx::query!(
        r#"select id as "id!", poller as "poller!", session_started_at as "session_started_at!", written_at as "written_at!",
                watermark as "watermark!", regulator_ids as "regulator_ids!", measured_at as "measured_at!",
                failing as "failing!"
            from (select *, sum(cardinality(regulator_ids)) over (order by id) - cardinality(regulator_ids) as before
                from (select * from reading_batch where id > $1 order by id limit $2) next) counted
            where before = 0 or before + cardinality(regulator_ids) <= $3
            order by id"#,
        id,
        MOST_BATCHES,
        most_readings
    )
    .fetch_all(connection)
    .await?;
    let batches = rows.into_iter().map(|row| Batch {
        id: row.id,
        poller: row.poller,
        session_started_at: row.session_started_at,
        written_at: row.written_at,
        watermark: row.watermark,
        keys: row.regulator_ids.into_iter().zip(row.measured_at).collect(),
        failing: understood(row.id, row.failing),
    });
    Ok(batches.collect())
}

/// The entries of a batch's `failing`. One that does not read is logged and left out: it must not stop the feed for ever.
fn understood(batch: i64, failing: Value) -> Vec<Failing> {
    let Value::Array(entries) = failing else {
        tracing::warn!(batch, "a batch's list of what fails is not a list; taken as empty");
        return vec![];
    };
    let read = |entry| match serde_json::from_value(entry) {
        Ok(failing) => Some(failing),
        Err(error) => {
            tracing::warn!(batch, %error, "an entry of a batch's list of what fails does not read; left out");
            None
        }
    };
    entries.into_iter().filter_map(read).collect()
}

/// The id of the newest batch, 0 if there is none.
///
/// # Errors
/// When the database cannot be asked.
pub async fn last_id(connection: &mut PgConnection) -> sqlx::Result<i64> {
    let id = sqlx::query_scalar!("select max(id) from reading_batch").fetch_one(connection).await?;
    Ok(id.unwrap_or(0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::feed::testing::{self, at};
    use private_postgres::testing::TestDatabase;
    use regulator::{Quantity, Reading};

    #[tokio::test]
    async fn batches_come_in_order_and_in_bounded_pieces() {
        let database = TestDatabase::new().await;
        let mut connection = database.pool.acquire().await.unwrap();
        let reading = |s| Reading::new(at(s)).with(Quantity::LoadVoltage, 120.0);
        for i in 0..5 {
            let both = [(50_001, reading(i * 10)), (50_002, reading(i * 10))];
            testing::write(&mut connection, &testing::batch("p", i * 10 + 10), &both).await;
        }
        let first = after(&mut connection, 0, 5).await.unwrap();
        assert_eq!(first.len(), 2, "two batches of two are at most five readings");
        assert_eq!(first[0].keys, [(50_001, at(0)), (50_002, at(0))]);
        let rest = after(&mut connection, first[1].id, 1000).await.unwrap();
        assert_eq!(rest.iter().map(|b| b.watermark).collect::<Vec<_>>(), [at(30), at(40), at(50)]);
        assert_eq!(rest[2].id, last_id(&mut connection).await.unwrap());
        assert_eq!(after(&mut connection, 0, 1).await.unwrap().len(), 1, "one at least");
    }

    #[tokio::test]
    async fn an_entry_that_does_not_read_costs_only_itself() {
        let database = TestDatabase::new().await;
        let mut connection = database.pool.acquire().await.unwrap();
        let mut batch = testing::batch("p", 100).failing(40_001, 30);
        batch.failing.push(serde_json::json!({"endpoint": "?"}));
        testing::write(&mut connection, &batch, &[]).await;
        let read = after(&mut connection, 0, 1).await.unwrap();
        let error = "no answer within 2 s".to_owned();
        assert_eq!(read[0].failing, [Failing { endpoint: 40_001, unit: None, since: at(30), error }]);
    }
}
