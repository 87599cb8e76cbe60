//! The store while its database goes away, and rows that a database refuses.

use std::{os::unix::fs::PermissionsExt, sync::Arc, time::Duration};

use chrono::{DateTime, TimeDelta, Utc};
use private_postgres::{Cluster, Durability, testing::TestDatabase};
use regulator::{Quantity, Reading};
use sqlx::{Connection, PgConnection};
use tokio::{task::JoinHandle, time::sleep};

use super::*;
use crate::{
    endpoint::{Clock, Failure, Outcome, Report, ReportSender, channel},
    metrics::Shared,
    modbus::ErrorKind,
};

struct Store {
    sender: ReportSender,
    counters: Shared,
    task: JoinHandle<()>,
}

impl Store {
    fn start(database_url: &str, hold_limit: usize) -> Self {
        let (sender, reports) = channel(100_000);
        let started = Utc::now();
        let target = Target {
            database_url: database_url.to_owned(),
            poller: "test".to_owned(),
            session_started_at: started,
            retention: TimeDelta::days(30),
        };
        let counters = Shared::new(started);
        let task =
            tokio::spawn(run(target, hold_limit, reports, Arc::new(Clock::system()), counters.clone()));
        Self { sender, counters, task }
    }

    /// One reading of each of 20 regulators.
    fn feed(&self, n: i64, start: DateTime<Utc>) {
        for regulator_id in 1..=20 {
            let reading = Reading::new(start + TimeDelta::milliseconds(n)).with(Quantity::Tap, 1.0);
            self.sender.send(Report::Reading { regulator_id, reading });
        }
    }

    /// Closes the channel and waits for the end.
    async fn end(self) {
        drop(self.sender);
        self.task.await.unwrap();
    }
}

/// Waits, but not for ever, until something is so.
async fn until(what: &str, mut so: impl AsyncFnMut() -> bool) {
    for _ in 0..1200 {
        if so().await {
            return;
        }
        sleep(Duration::from_millis(50)).await;
    }
    panic!("{what}: not within a minute");
}

async fn count(url: &str) -> Option<i64> {
    let mut connection = PgConnection::connect(url).await.ok()?;
    sqlx::query_scalar!("select count(*) from reading").fetch_one(&mut connection).await.ok()?
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_database_that_goes_away_and_returns_costs_no_reading() {
    let folder = tempfile::Builder::new().prefix("tapkeeper-test-").tempdir().unwrap();
    // the account that runs the server must be able to reach the folder
    std::fs::set_permissions(folder.path(), std::fs::Permissions::from_mode(0o755)).unwrap();
    let cluster = Cluster::start(&folder.path().join("db"), Durability::None).unwrap();
    let url = cluster.database("outage").unwrap();
    let mut connection = PgConnection::connect(&url).await.unwrap();
    migrations_of(&mut connection).await;
    let store = Store::start(&url, 1_000_000);
    // as live readings are: never older than a watermark already given
    let start = Utc::now();
    for n in 0..50 {
        store.feed(n, start);
    }
    until("the first readings are written", async || count(&url).await == Some(1_000)).await;

    drop(connection);
    cluster.stop().unwrap();
    for n in 50..2_000 {
        store.feed(n, start);
    }
    until("the readings are held", async || store.counters.lock().held == 39_000).await;
    until("the outage lasts longer than a report may take", async || {
        Utc::now() > start + TimeDelta::seconds(7)
    })
    .await;
    until("it is known that the database is away", async || !store.counters.lock().database_up).await;
    cluster.restart(Durability::None).unwrap();
    until("the database is back", async || store.counters.lock().held == 0).await;
    until("all are there", async || count(&url).await == Some(40_000)).await;
    assert_eq!(store.counters.lock().given_up(), 0);

    // what a watermark promises is kept: no reading named by a batch is older than a watermark before it
    let mut connection = PgConnection::connect(&url).await.unwrap();
    let broken = sqlx::query_scalar!(
        "select count(*) from reading_batch b join reading_batch earlier on earlier.id < b.id,
                lateral unnest(b.measured_at) t
         where t < earlier.watermark"
    )
    .fetch_one(&mut connection)
    .await
    .unwrap();
    assert_eq!(broken, Some(0));
    store.end().await;
}

/// The schema of the tests' databases, brought into another cluster.
async fn migrations_of(connection: &mut PgConnection) {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../migrations");
    let migrator = sqlx::migrate::Migrator::new(folder).await.unwrap();
    migrator.run(connection).await.unwrap();
}

#[tokio::test]
async fn what_is_held_at_the_end_is_written_and_a_sign_of_life_comes_without_readings() {
    let database = TestDatabase::new().await;
    let store = Store::start(&database.url, 1_000_000);
    until("a sign of life", async || {
        sqlx::query_scalar!("select count(*) from reading_batch").fetch_one(&database.pool).await.unwrap()
            > Some(0)
    })
    .await;
    store.feed(0, Utc::now() - TimeDelta::minutes(1));
    store.end().await;
    assert_eq!(count(&database.url).await, Some(20));
}

#[tokio::test]
async fn who_fails_is_told_with_each_batch_until_it_answers() {
    let database = TestDatabase::new().await;
    let store = Store::start(&database.url, 1_000);
    let failure = Failure { kind: ErrorKind::Timeout, text: "no answer within 2 s".to_owned() };
    let at = Utc::now();
    store.sender.send(Report::Outcome(Outcome {
        endpoint_id: 40_001,
        unit: Some(7),
        at,
        result: Err(failure),
        lateness: Duration::ZERO,
        missed: 0,
    }));
    store.feed(0, at);
    store.end().await;
    let failing = sqlx::query_scalar!("select failing from reading_batch order by id desc limit 1")
        .fetch_one(&database.pool)
        .await
        .unwrap();
    assert_eq!(failing[0]["endpoint"], 40_001);
    assert_eq!(failing[0]["unit"], 7);
    assert_eq!(failing[0]["error"], "no answer within 2 s");
}

#[tokio::test]
async fn a_row_that_the_database_refuses_is_left_out_and_counted() {
    let database = TestDatabase::new().await;
    sqlx::query("alter table reading add constraint test_poison check (regulator_id <> 13 or tap is null)")
        .execute(&database.pool)
        .await
        .unwrap();
    let store = Store::start(&database.url, 1_000_000);
    let start = Utc::now() - TimeDelta::minutes(1);
    for n in 0..10 {
        store.feed(n, start);
    }
    let counters = store.counters.clone();
    store.end().await;
    assert_eq!(count(&database.url).await, Some(190));
    let counters = counters.lock();
    assert_eq!((counters.refused, counters.written), (10, 190));
}

#[tokio::test]
async fn beyond_the_bound_the_oldest_readings_are_given_up_and_counted() {
    // nobody listens there
    let store = Store::start("postgres:///nothing?host=/nonexistent&user=nobody", 1_000);
    let start = Utc::now() - TimeDelta::minutes(1);
    for n in 0..200 {
        store.feed(n, start);
    }
    until("readings are given up", async || store.counters.lock().given_up() > 0).await;
    let counters = store.counters.lock();
    assert!(counters.held <= 1_100, "{}", counters.held);
    assert_eq!(counters.held + counters.given_up(), 4_000);
}
