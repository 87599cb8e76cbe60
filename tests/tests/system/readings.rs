//! Comparing what a control served with what is in Postgres.

use serde_json::Value;
use sqlx::{FromRow, PgPool};

/// One reading as it lies in the table.
#[derive(Debug, Clone, PartialEq, FromRow)]
pub(crate) struct Row {
    pub(crate) load_voltage: Option<f32>,
    pub(crate) source_voltage: Option<f32>,
    pub(crate) current: Option<f32>,
    pub(crate) real_power: Option<f32>,
    pub(crate) reactive_power: Option<f32>,
    pub(crate) tap: Option<i32>,
    pub(crate) operations: Option<i64>,
    pub(crate) set_voltage: Option<f32>,
    pub(crate) automatic: Option<bool>,
}

/// All readings of one regulator of the control at this port, in order of time.
pub(crate) async fn stored(pool: &PgPool, port: u16, position: i32) -> Vec<Row> {
    sqlx::query_as(
        "select load_voltage, source_voltage, current, real_power, reactive_power, tap, operations, set_voltage, automatic
         from reading join regulator g on g.id = regulator_id join endpoint e on e.id = g.endpoint_id
         where e.address = $1 and g.position = $2 order by measured_at",
    )
    .bind(format!("modbus-tcp://127.0.0.1:{port}"))
    .bind(position)
    .fetch_all(pool)
    .await
    .unwrap()
}

/// What the control says it served, as the rows it must have become. The table keeps 32-bit numbers.
pub(crate) fn served(told: &[Value], position: i32) -> Vec<Row> {
    let of = |values: &Value| Row {
        load_voltage: single(&values["load_voltage"]),
        source_voltage: single(&values["source_voltage"]),
        current: single(&values["current"]),
        real_power: single(&values["real_power"]),
        reactive_power: single(&values["reactive_power"]),
        tap: values["tap"].as_i64().map(|t| i32::try_from(t).unwrap()),
        operations: values["operations"].as_i64(),
        set_voltage: single(&values["set_voltage"]),
        automatic: values["automatic"].as_bool(),
    };
    told.iter().map(|poll| of(&poll[position.to_string()])).collect()
}

#[expect(clippy::cast_possible_truncation, reason = "as the table does")]
fn single(value: &Value) -> Option<f32> {
    value.as_f64().map(|x| x as f32)
}

/// Every poll that the control answered is there once, in order, with its values. The poll during which the poller was told to
/// stop may be missing.
pub(crate) async fn assert_all_there_once(pool: &PgPool, port: u16, told: &[Value]) {
    for position in [1, 2] {
        let (served, stored) = (served(told, position), stored(pool, port, position).await);
        let cut_short = served.len() - 1;
        assert!(
            stored.len() == served.len() || stored.len() == cut_short,
            "{} polls served, {} readings stored, for position {position}",
            served.len(),
            stored.len()
        );
        for (n, (stored, served)) in stored.iter().zip(&served).enumerate() {
            assert_eq!(stored, served, "poll {} of {}, position {position}", n + 1, told.len());
        }
    }
}

/// Every reading there is one that the control served, in the order in which it did, none twice.
pub(crate) async fn assert_none_made_up(pool: &PgPool, port: u16, told: &[Value]) {
    for position in [1, 2] {
        let (mut served, stored) = (served(told, position).into_iter(), stored(pool, port, position).await);
        assert!(!stored.is_empty());
        for (n, reading) in stored.iter().enumerate() {
            assert!(
                served.any(|s| s == *reading),
                "reading {n} of position {position} was never served: {reading:?}"
            );
        }
    }
}
