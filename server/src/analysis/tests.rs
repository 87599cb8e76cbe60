//! Readings in, operations and lives out, with the program stopped at any moment.

use chrono::{NaiveDate, TimeDelta};
use private_postgres::testing::TestDatabase;
use regulator::{Quantity, Reading, Timestamp, causes::Cause, wear::ContactWear};
use sqlx::PgConnection;

use super::Analyst;
use crate::{
    feed::testing::{self, NewBatch},
    inventory::testing::fleet,
};

/// A supply that steps down after ten minutes and up again after forty, and a control that answers after 30 s: two operations, by the
/// supply. The first tap is `from`.
fn story(from: f64, counter: f64) -> Vec<Reading> {
    let supply = |s: i64| if (600..2400).contains(&s) { 120.5 } else { 122.0 };
    let raised = |s: i64| (640..2440).contains(&s);
    let reading = |s: i64| {
        let tap = from + f64::from(u8::from(raised(s)));
        let operations = counter
            + if s < 640 {
                0.0
            } else if s < 2440 {
                1.0
            } else {
                2.0
            };
        Reading::new(testing::at(s))
            .with(Quantity::SourceVoltage, supply(s))
            .with(Quantity::LoadVoltage, supply(s) + 0.75 * (tap - from))
            .with(Quantity::Current, 100.0)
            .with(Quantity::RealPower, 720.0)
            .with(Quantity::Tap, tap)
            .with(Quantity::Operations, operations)
            .with(Quantity::Automatic, 1.0)
            .with(Quantity::SetVoltage, 122.0)
            .with(Quantity::Bandwidth, 2.0)
            .with(Quantity::TimeDelay, 30.0)
    };
    (0..3600).step_by(10).map(reading).collect()
}

/// Writes readings in batches of so many a regulator.
async fn write(connection: &mut PgConnection, of: &[(i32, Vec<Reading>)], at_once: usize) {
    let length = of.iter().map(|(_, readings)| readings.len()).max().unwrap_or(0);
    for from in (0..length).step_by(at_once) {
        let rows: Vec<(i32, Reading)> = of
            .iter()
            .flat_map(|(id, readings)| readings.iter().skip(from).take(at_once).map(|r| (*id, r.clone())))
            .collect();
        let newest = rows.iter().map(|(_, r)| r.measured_at).max().unwrap();
        let batch = NewBatch { written_at: newest, watermark: newest, ..testing::batch("p", 0) };
        testing::write(connection, &batch, &rows).await;
    }
}

/// Everything that the analysis has written, as text.
async fn written(connection: &mut PgConnection) -> Vec<String> {
    sqlx::query_scalar(
        "select concat_ws(' ', 'operation', regulator_id, at, since, operations, tap_from, tap_to, load_before, load_after,
                source_before, current, cause, confidence, undone, evidence) from operation
         union all
         select concat_ws(' ', 'day', regulator_id, day, operations, tap_lowest, tap_seconds::text, unknown_seconds, wear)
            from service_day
         union all
         select concat_ws(' ', 'life', regulator_id, seen_until, settled_until, first_counter, moved_at, neutral_at, wear)
            from service_life
         order by 1",
    )
    .fetch_all(connection)
    .await
    .unwrap()
}

async fn pass_all(connection: &mut PgConnection, analyst: &mut Analyst) {
    while analyst.pass(connection).await.unwrap() {}
}

#[tokio::test]
async fn operations_are_written_with_their_cause_and_lives_with_what_they_used_up() {
    let database = TestDatabase::new().await;
    let mut connection = database.pool.acquire().await.unwrap();
    let ids = fleet(&mut connection, 1).await;
    write(&mut connection, &[(ids[0], story(0.0, 500.0))], 360).await;
    pass_all(&mut connection, &mut Analyst::default()).await;

    let operations: Vec<(Timestamp, i32, i16, i16, i16, bool)> =
        sqlx::query_as("select at, operations, tap_from, tap_to, cause, undone from operation order by at")
            .fetch_all(&mut *connection)
            .await
            .unwrap();
    let source = Cause::Source as i16;
    assert_eq!(
        operations,
        [(testing::at(640), 1, 0, 1, source, false), (testing::at(2440), 1, 1, 0, source, false)]
    );
    type Day = (NaiveDate, i64, i16, Vec<i32>, i32);
    let days: Vec<Day> =
        sqlx::query_as("select day, operations, tap_lowest, tap_seconds, unknown_seconds from service_day")
            .fetch_all(&mut *connection)
            .await
            .unwrap();
    let day = testing::at(0).with_timezone(&chrono_tz::America::Chicago).date_naive();
    assert_eq!(days, [(day, 2, 0, vec![3590 - 1800, 1800], 0)]);
    let (first_counter, moved, neutral, wear): (i64, Timestamp, Timestamp, String) =
        sqlx::query_as("select first_counter, moved_at, neutral_at, wear from service_life")
            .fetch_one(&mut *connection)
            .await
            .unwrap();
    assert_eq!((first_counter, moved, neutral), (500, testing::at(2440), testing::at(3590)));
    let wear: ContactWear = serde_json::from_str(&wear).unwrap();
    assert_eq!((wear.operations(), wear.unplaced), (2, 0));
    assert!(wear.worst().1.share().likely > 0.0);
}

/// Whatever the batches, and however often the program starts anew between them, the outcome is that of one run.
#[tokio::test]
async fn stopping_and_starting_changes_nothing() {
    let mut outcomes = vec![];
    for (at_once, restarts) in [(360, false), (7, false), (7, true), (45, true)] {
        let database = TestDatabase::new().await;
        let mut connection = database.pool.acquire().await.unwrap();
        let ids = fleet(&mut connection, 2).await;
        let stories = [(ids[0], story(0.0, 500.0)), (ids[1], story(-3.0, 65_000.0))];
        let mut analyst = Analyst::default();
        for from in (0..360).step_by(at_once) {
            let part = stories
                .iter()
                .map(|(id, r)| (*id, r.iter().skip(from).take(at_once).cloned().collect()))
                .collect::<Vec<_>>();
            write(&mut connection, &part, at_once).await;
            pass_all(&mut connection, &mut analyst).await;
            if restarts {
                analyst = Analyst::default();
            }
        }
        outcomes.push(written(&mut connection).await);
    }
    assert_eq!(outcomes[0].iter().filter(|line| line.starts_with("operation")).count(), 4);
    for outcome in &outcomes[1..] {
        assert_eq!(*outcome, outcomes[0]);
    }
}

#[tokio::test]
async fn a_pass_that_is_not_committed_has_not_happened_and_late_readings_are_passed_over() {
    let database = TestDatabase::new().await;
    let mut connection = database.pool.acquire().await.unwrap();
    let ids = fleet(&mut connection, 1).await;
    let readings = story(0.0, 500.0);
    let (early, late) = readings.split_at(200);
    write(&mut connection, &[(ids[0], late.to_vec())], 400).await;
    let mut analyst = Analyst::default();
    pass_all(&mut connection, &mut analyst).await;
    let before = written(&mut connection).await;
    write(&mut connection, &[(ids[0], early.to_vec())], 400).await;
    pass_all(&mut connection, &mut analyst).await;
    assert_eq!(written(&mut connection).await, before, "they came too late");

    // The table is away for the length of a pass.
    let later = |reading: &Reading| {
        let mut later = reading.clone();
        later.measured_at += TimeDelta::hours(1);
        later
    };
    let more: Vec<Reading> = readings.iter().map(later).collect();
    write(&mut connection, &[(ids[0], more)], 400).await;
    sqlx::query("alter table service_day rename to elsewhere").execute(&mut *connection).await.unwrap();
    assert!(analyst.pass(&mut connection).await.is_err());
    sqlx::query("alter table elsewhere rename to service_day").execute(&mut *connection).await.unwrap();
    assert_eq!(written(&mut connection).await, before);
    pass_all(&mut connection, &mut analyst).await;
    assert!(written(&mut connection).await.len() > before.len());
}

#[tokio::test]
async fn a_regulator_downstream_is_told_from_the_one_that_feeds_it() {
    let database = TestDatabase::new().await;
    let mut connection = database.pool.acquire().await.unwrap();
    let ids = fleet(&mut connection, 2).await;
    sqlx::query(
        "update site set fed_from_site_id = (select min(id) from site) where id = (select max(id) from site)",
    )
    .execute(&mut *connection)
    .await
    .unwrap();
    sqlx::query("update inventory_version set version = version + 1")
        .execute(&mut *connection)
        .await
        .unwrap();
    let inventory = crate::inventory::load(&mut connection).await.unwrap();
    let fleet = super::fleet::Fleet::of(&inventory);
    assert_eq!(fleet.regulators[&ids[1]].upstream, [ids[0]]);
    assert!(fleet.regulators[&ids[0]].upstream.is_empty());
}
