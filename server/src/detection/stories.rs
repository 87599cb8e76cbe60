//! Short stories: what a poller writes, and the alarms that come of it.

use std::{sync::Arc, time::Duration};

use private_postgres::testing::TestDatabase;
use regulator::{Quantity, Reading};
use sqlx::{PgConnection, Postgres, Row, pool::PoolConnection};
use tokio_util::sync::CancellationToken;

use super::{Snapshot, Status, run, runner::Runner};
use crate::{
    feed::testing::{NewBatch, at, batch, write},
    inventory::testing::fleet,
};

struct Story {
    database: TestDatabase,
    connection: PoolConnection<Postgres>,
    runner: Runner,
    status: Arc<Status>,
    regulators: Vec<i32>,
}

impl Story {
    async fn new(regulators: i32) -> Self {
        let database = TestDatabase::new().await;
        let mut connection = database.pool.acquire().await.unwrap();
        let regulators = fleet(&mut connection, regulators).await;
        let status = Arc::new(Status::default());
        Self { database, connection, runner: Runner::new(Arc::clone(&status)), status, regulators }
    }

    async fn write(&mut self, batch: &NewBatch, readings: &[(i32, Reading)]) {
        write(&mut self.connection, batch, readings).await;
    }

    /// Writes readings of the first regulator's load voltage, each 10 s, in one batch.
    async fn voltages(&mut self, from_s: i64, to_s: i64, voltage: f64) {
        let id = self.regulators[0];
        let readings: Vec<_> = (from_s..to_s)
            .step_by(10)
            .map(|s| (id, Reading::new(at(s)).with(Quantity::LoadVoltage, voltage)))
            .collect();
        self.write(&batch("p", to_s), &readings).await;
    }

    async fn detect(&mut self) -> Snapshot {
        while self.runner.pass(&mut self.connection).await.unwrap() {}
        self.status.snapshot()
    }

    async fn sql(&mut self, statement: &'static str) {
        sqlx::raw_sql(statement).execute(&mut *self.connection).await.unwrap();
    }

    async fn alarms(&mut self) -> Vec<String> {
        alarms(&mut self.connection).await
    }

    async fn endpoint(&mut self) -> i32 {
        sqlx::query_scalar("select endpoint_id from regulator where id = $1")
            .bind(self.regulators[0])
            .fetch_one(&mut *self.connection)
            .await
            .unwrap()
    }
}

/// Alarms as lines: "voltage_range_a 300..720".
async fn alarms(connection: &mut PgConnection) -> Vec<String> {
    let rows = sqlx::query("select condition, raised_at, returned_at from alarm order by raised_at, id")
        .fetch_all(connection);
    let seconds = |t: regulator::Timestamp| (t - at(0)).num_seconds();
    let line = |row: sqlx::postgres::PgRow| {
        let until: Option<regulator::Timestamp> = row.get(2);
        let until = until.map_or_else(String::new, |t| seconds(t).to_string());
        format!("{} {}..{until}", row.get::<String, _>(0), seconds(row.get(1)))
    };
    rows.await.unwrap().into_iter().map(line).collect()
}

#[tokio::test]
async fn low_voltage_is_an_alarm_with_its_numbers_and_a_message() {
    let mut story = Story::new(1).await;
    story.sql("insert into recipient (name, email, area_kind, least_priority) values ('desk', 'desk@example.org', 'fleet', 1)").await;
    story.voltages(0, 400, 113.0).await;
    let snapshot = story.detect().await;
    assert_eq!(story.alarms().await, ["voltage_range_a 300.."]);
    assert_eq!((snapshot.readings_judged, snapshot.alarms_raised, snapshot.lag_batches), (40, 1, 0));
    story.voltages(400, 600, 120.0).await;
    story.detect().await;
    assert_eq!(story.alarms().await, ["voltage_range_a 300..520"]);
    let row = sqlx::query(
        "select summary, evidence->0->>'label', (evidence->0->>'value')::float8, priority,
                (select array_agg(kind order by id) from alarm_transition where alarm_id = alarm.id),
                (select count(*) from notification)
            from alarm",
    )
    .fetch_one(&mut *story.connection)
    .await
    .unwrap();
    assert_eq!(row.get::<String, _>(0), "load voltage 113.0 V, below 114 V for 5 min");
    assert_eq!((row.get::<String, _>(1).as_str(), row.get::<f64, _>(2)), ("Load voltage", 113.0));
    assert_eq!(row.get::<i16, _>(3), 2);
    assert_eq!(row.get::<Vec<String>, _>(4), ["raised", "returned"]);
    assert_eq!(row.get::<i64, _>(5), 2);
}

#[tokio::test]
async fn raise_and_return_in_one_pass_are_one_closed_alarm_and_the_next_is_open() {
    let mut story = Story::new(1).await;
    story.voltages(0, 400, 113.0).await;
    story.voltages(400, 800, 120.0).await;
    story.voltages(800, 1200, 113.0).await;
    story.detect().await;
    assert_eq!(story.alarms().await, ["voltage_range_a 300..520", "voltage_range_a 1100.."]);
}

#[tokio::test]
async fn a_silent_endpoint_is_one_alarm_and_its_regulators_are_not_stale() {
    let mut story = Story::new(1).await;
    let endpoint = story.endpoint().await;
    story.voltages(0, 100, 120.0).await;
    for s in [110, 200, 300, 400] {
        story.write(&batch("p", s).failing(endpoint, 105), &[]).await;
    }
    story.detect().await;
    assert_eq!(story.alarms().await, ["endpoint_silent 225.."]);
    story.voltages(500, 600, 120.0).await;
    story.detect().await;
    assert_eq!(story.alarms().await, ["endpoint_silent 225..500"]);
}

#[tokio::test]
async fn one_units_silence_behind_an_answering_endpoint_is_stale_readings() {
    let mut story = Story::new(3).await;
    story.voltages(0, 100, 120.0).await;
    for s in [150, 300] {
        let mut life = batch("p", s);
        let endpoint = story.endpoint().await;
        life.failing
            .push(serde_json::json!({"endpoint": endpoint, "unit": 1, "since": at(95), "error": "refused"}));
        story.write(&life, &[]).await;
    }
    story.detect().await;
    // the other two never reported at all since the first batch
    assert_eq!(
        story.alarms().await,
        ["readings_stale 210..", "readings_stale 220..", "readings_stale 220.."]
    );
}

#[tokio::test]
async fn a_poller_that_writes_nothing_is_noticed_by_the_clock() {
    let mut story = Story::new(1).await;
    story.voltages(0, 100, 120.0).await;
    story.detect().await;
    assert!(story.alarms().await.is_empty(), "it keeps no health record: a batch written by hand");
    story.sql("insert into poller_health values ('p', now(), now(), 1, 1, 1, 1, 0, 0)").await;
    story.detect().await;
    assert_eq!(story.alarms().await, ["poller_silent 160.."]);
    let mut restarted = batch("p", 5010);
    restarted.session_started_at = at(5000);
    story.write(&restarted, &[]).await;
    // what it was silent for is over, but it is silent again by the clock
    story.detect().await;
    assert_eq!(story.alarms().await, ["poller_silent 160..5010", "poller_silent 5070.."]);
}

#[tokio::test]
async fn the_narrowest_threshold_wins_and_a_change_counts_from_the_next_reading() {
    let mut story = Story::new(3).await;
    story
        .sql(
            "insert into threshold (condition, parameter, scope_kind, scope_id, value)
                select 'voltage_range_a', 'delay_s', 'fleet', null, 20
                union all select 'voltage_range_a', 'delay_s', 'regulator', min(id), 0 from regulator
                union all select 'voltage_range_a', 'delay_s', 'feeder', min(id), 40 from feeder
                union all select 'no_such_condition', 'delay_s', 'fleet', null, 1
                union all select 'voltage_range_a', 'no_such_parameter', 'fleet', null, 1",
        )
        .await;
    let low = |id, s| (id, Reading::new(at(s)).with(Quantity::LoadVoltage, 113.0));
    let (first, second) = (story.regulators[0], story.regulators[1]);
    story.write(&batch("p", 10), &[low(first, 0), low(second, 0)]).await;
    story.write(&batch("p", 40), &[low(second, 30)]).await;
    story.detect().await;
    assert_eq!(
        story.alarms().await,
        ["voltage_range_a 0.."],
        "at once by its own, the other by its feeder's 40 s"
    );
    story.sql("delete from threshold where scope_kind = 'feeder'").await;
    story.write(&batch("p", 40), &[low(second, 35)]).await;
    story.detect().await;
    assert_eq!(story.alarms().await, ["voltage_range_a 0..", "voltage_range_a 35.."]);
}

#[tokio::test]
async fn readings_that_cannot_be_judged_are_counted_and_stop_nothing() {
    let mut story = Story::new(1).await;
    let id = story.regulators[0];
    let reading = |s| Reading::new(at(s)).with(Quantity::LoadVoltage, 120.0);
    story
        .write(
            &batch("p", 100),
            &[(99, reading(10)), (id, reading(50)), (id, reading(60)), (id, reading(9000))],
        )
        .await;
    story.write(&batch("p", 200), &[(id, reading(55)), (id, reading(61))]).await;
    story.sql("delete from reading where measured_at = '2026-01-01 00:01:01Z'").await;
    let s = story.detect().await;
    let counts = (s.readings_judged, s.readings_late, s.readings_ahead, s.readings_unknown, s.lag_batches);
    assert_eq!(counts, (2, 1, 1, 1, 0));
}

#[tokio::test]
async fn leaving_the_inventory_ends_a_regulators_alarms() {
    let mut story = Story::new(1).await;
    story.voltages(0, 400, 113.0).await;
    story.detect().await;
    story
        .sql(
            "update regulator set retired_at = '2026-01-01 01:00:00Z' where id = (select min(id) from regulator);
             update inventory_version set version = version + 1",
        )
        .await;
    story.detect().await;
    assert_eq!(story.alarms().await, ["voltage_range_a 300..3600"]);
    story.voltages(4000, 4400, 113.0).await;
    assert_eq!(story.detect().await.readings_unknown, 40);
}

#[tokio::test]
async fn running_again_from_the_start_doubles_nothing() {
    let mut story = Story::new(1).await;
    story.voltages(0, 400, 113.0).await;
    story.voltages(400, 800, 120.0).await;
    story.voltages(800, 1200, 113.0).await;
    story.detect().await;
    let before = story.alarms().await;
    story.sql("delete from detection_state; update feed_cursor set batch_id = 0").await;
    story.detect().await;
    assert_eq!(story.alarms().await, before);
    story.voltages(1200, 1600, 120.0).await;
    story.detect().await;
    assert_eq!(story.alarms().await, ["voltage_range_a 300..520", "voltage_range_a 1100..1320"]);
}

/// Polls until the alarms are as they should be; a bound, not a timing.
async fn until_alarms(connection: &mut PgConnection, expected: &[&str]) {
    for _ in 0..500 {
        if alarms(connection).await == expected {
            return;
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    assert_eq!(alarms(connection).await, expected);
}

#[tokio::test]
async fn of_two_servers_one_detects_and_the_other_takes_over() {
    let mut story = Story::new(1).await;
    let start = || {
        let (status, stop) = (Arc::new(Status::default()), CancellationToken::new());
        let task = tokio::spawn(run(story.database.pool.clone(), Arc::clone(&status), stop.clone()));
        (status, stop, task)
    };
    let servers = [start(), start()];
    story.voltages(0, 400, 113.0).await;
    until_alarms(&mut story.connection, &["voltage_range_a 300.."]).await;
    let leading: Vec<bool> = servers.iter().map(|s| s.0.snapshot().leading).collect();
    assert_eq!(leading.iter().filter(|leads| **leads).count(), 1);
    let leader = usize::from(leading[1]);
    servers[leader].1.cancel();
    story.voltages(400, 800, 120.0).await;
    until_alarms(&mut story.connection, &["voltage_range_a 300..520"]).await;
    for (_, stop, task) in servers {
        stop.cancel();
        task.await.unwrap();
    }
}

#[tokio::test]
async fn a_cut_connection_is_made_again() {
    let mut story = Story::new(1).await;
    let (status, stop) = (Arc::new(Status::default()), CancellationToken::new());
    let task = tokio::spawn(run(story.database.pool.clone(), Arc::clone(&status), stop.clone()));
    story.voltages(0, 400, 113.0).await;
    until_alarms(&mut story.connection, &["voltage_range_a 300.."]).await;
    story
        .sql("select pg_terminate_backend(pid) from pg_stat_activity where pid <> pg_backend_pid() and datname = current_database()")
        .await;
    story.voltages(400, 800, 120.0).await;
    until_alarms(&mut story.connection, &["voltage_range_a 300..520"]).await;
    stop.cancel();
    task.await.unwrap();
}

#[tokio::test]
async fn a_bank_is_judged_by_the_readings_of_all_its_regulators_however_they_come() {
    let mut story = Story::new(2).await;
    // Both in one bank, on phases A and B.
    story
        .sql(
            "update regulator set bank_id = (select min(bank_id) from regulator), phase = 'B'
                where id = (select max(id) from regulator);
             update inventory_version set version = version + 1",
        )
        .await;
    let (a, b) = (story.regulators[0], story.regulators[1]);
    let tap = |id, s, tap: f64| (id, Reading::new(at(s)).with(Quantity::Tap, tap));
    // One regulator's readings after the other's in a batch, and then one a batch.
    let ten_minutes = |id, value| (0..1800).step_by(10).map(move |s| tap(id, s, value));
    let together: Vec<_> = ten_minutes(a, 9.0).chain(ten_minutes(b, -1.0)).collect();
    story.write(&batch("p", 1800), &together).await;
    story.detect().await;
    for s in (1800..7200).step_by(10) {
        story.write(&batch("p", s), &[tap(b, s, 8.0)]).await;
        story.write(&batch("p", s + 1), &[tap(a, s + 1, 9.0)]).await;
    }
    story.detect().await;
    let lines = story.alarms().await;
    assert_eq!(lines.len(), 1, "{lines:?}");
    assert!(
        lines[0].starts_with("tap_spread ") && !lines[0].ends_with(".."),
        "raised and returned: {lines:?}"
    );
    let (regulator, phase, place): (i32, Option<String>, String) =
        sqlx::query_as("select regulator_id, phase, place from alarm_shown where bank_id is not null")
            .fetch_one(&mut *story.connection)
            .await
            .unwrap();
    assert_eq!((regulator, phase), (a, None));
    assert!(place.ends_with("Pole 1 bank"), "{place}");
}
