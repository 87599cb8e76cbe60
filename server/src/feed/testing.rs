//! Writes readings and batches as a poller does, for tests.

use chrono::{DateTime, SubsecRound as _, TimeDelta};
use regulator::{Quantity, Reading, Timestamp};
use serde_json::{Value, json};
use sqlx::PgConnection;

/// Seconds after a fixed midnight.
pub(crate) fn at(seconds: i64) -> Timestamp {
    DateTime::from_timestamp(1_767_225_600, 0).unwrap() + TimeDelta::seconds(seconds)
}

/// What to write beside the readings.
#[derive(Debug, Clone)]
pub(crate) struct NewBatch {
    pub(crate) poller: String,
    pub(crate) session_started_at: Timestamp,
    pub(crate) written_at: Timestamp,
    pub(crate) watermark: Timestamp,
    pub(crate) failing: Vec<Value>,
}

/// A batch of a session that began at 0, written at its watermark.
pub(crate) fn batch(poller: &str, watermark_s: i64) -> NewBatch {
    NewBatch {
        poller: poller.to_owned(),
        session_started_at: at(0),
        written_at: at(watermark_s),
        watermark: at(watermark_s),
        failing: vec![],
    }
}

impl NewBatch {
    /// Adds an endpoint that does not answer.
    pub(crate) fn failing(mut self, endpoint: i32, since_s: i64) -> Self {
        let entry = json!({"endpoint": endpoint, "unit": null, "since": at(since_s), "error": "no answer within 2 s"});
        self.failing.push(entry);
        self
    }
}

/// Writes readings (replacing any of the same instant) and their batch in one transaction.
pub(crate) async fn write(
    connection: &mut PgConnection,
    batch: &NewBatch,
    readings: &[(i32, Reading)],
) -> i64 {
    use sqlx::Connection;
    let mut transaction = connection.begin().await.unwrap();
    let days = readings.iter().map(|(_, r)| r.measured_at.date_naive());
    if let (Some(first), Some(last)) = (days.clone().min(), days.max()) {
        sqlx::query("select make_reading_partitions($1, $2)")
            .bind(first)
            .bind(last)
            .execute(&mut *transaction)
            .await
            .unwrap();
    }
    insert(&mut transaction, readings).await;
    let (ids, times): (Vec<i32>, Vec<Timestamp>) =
        readings.iter().map(|(id, r)| (*id, r.measured_at)).unzip();
    let id: i64 = sqlx::query_scalar(
        "insert into reading_batch (poller, session_started_at, written_at, watermark, regulator_ids, measured_at, failing)
            values ($1, $2, $3, $4, $5, $6, $7) returning id",
    )
    .bind(&batch.poller)
    .bind(batch.session_started_at)
    .bind(batch.written_at)
    .bind(batch.watermark)
    .bind(ids)
    .bind(times)
    .bind(Value::from(batch.failing.clone()))
    .fetch_one(&mut *transaction)
    .await
    .unwrap();
    sqlx::query("select pg_notify($1, '')").bind(super::CHANNEL).execute(&mut *transaction).await.unwrap();
    transaction.commit().await.unwrap();
    id
}

async fn insert(connection: &mut PgConnection, readings: &[(i32, Reading)]) {
    let names: Vec<&str> = Quantity::ALL.iter().map(|q| q.name()).collect();
    // Rows go as JSON: slow and simple, and it needs no list of types here.
    let rows: Vec<Value> = readings
        .iter()
        .map(|(id, reading)| {
            // Postgres rounds a text to the microsecond where sqlx cuts off a parameter; the batch must name the same instant.
            let measured_at = reading.measured_at.trunc_subsecs(6);
            let mut row = json!({"regulator_id": id, "measured_at": measured_at});
            let hex = |bytes: Vec<u8>| bytes.iter().map(|b| format!("{b:02x}")).collect::<String>();
            row["quality"] = Value::from(format!("\\x{}", hex(reading.quality_bytes())));
            row["time_source"] = Value::from(reading.time_source.stored());
            row["age"] = Value::from(reading.age_bytes().map(|bytes| format!("\\x{}", hex(bytes))));
            for &q in Quantity::ALL {
                row[q.name()] = match reading.value(q) {
                    None => Value::Null,
                    Some(value) if q.is_flag() => Value::from(value != 0.0),
                    Some(value) if matches!(q, Quantity::Tap | Quantity::Operations) =>
                    {
                        #[allow(clippy::cast_possible_truncation)]
                        Value::from(value as i64)
                    }
                    Some(value) => Value::from(value),
                };
            }
            row
        })
        .collect();
    let columns = names.join(", ");
    let set: Vec<String> = names.iter().map(|n| format!("{n} = excluded.{n}")).collect();
    let statement = format!(
        "insert into reading (regulator_id, measured_at, quality, time_source, age, {columns})
            select regulator_id, measured_at, quality, time_source, age, {columns} from jsonb_populate_recordset(null::reading, $1)
            on conflict (regulator_id, measured_at) do update set quality = excluded.quality, time_source = excluded.time_source, age = excluded.age, {}",
        set.join(", ")
    );
    sqlx::query(sqlx::AssertSqlSafe(statement)).bind(Value::from(rows)).execute(connection).await.unwrap();
}
