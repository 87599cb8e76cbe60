//! Stored readings through a condition, beside the alarms that detection raised over the same readings.

use std::sync::Arc;

use chrono::NaiveDate;
use private_postgres::testing::TestDatabase;
use regulator::{Quantity, Reading, conditions::Condition};

use super::{Ask, BacktestError, Bounds, Kind, Part, Progress, Report, Turn, run};
use crate::{
    feed::testing::{at, batch, write},
    inventory::testing,
};

const BOUNDS: Bounds = Bounds { most_places: 100, patience: None };

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

/// Two regulators over a day at a minute each; the first has an hour at 113 V and, later, one at 115 V.
async fn database() -> (TestDatabase, Vec<i32>) {
    let database = TestDatabase::new().await;
    let mut db = database.pool.acquire().await.unwrap();
    let ids = testing::fleet(&mut db, 2).await;
    let volts = |m: i64| match m {
        600..660 => 113.0,
        900..960 => 115.0,
        _ => 120.0,
    };
    let reading = |m: i64, volts: f64| Reading::new(at(m * 60)).with(Quantity::LoadVoltage, volts);
    let readings: Vec<_> =
        (360..1440).flat_map(|m| [(ids[0], reading(m, volts(m))), (ids[1], reading(m, 120.0))]).collect();
    write(&mut db, &batch("p", 86_400), &readings).await;
    // The alarm that really was raised, five minutes into the first hour.
    sqlx::query(
        "insert into alarm (id, condition, regulator_id, priority, raised_at, returned_at, summary, evidence)
            values (7, 'voltage_range_a', $1, 3, $2, $3, '', '[]')",
    )
    .bind(ids[0])
    .bind(at(605 * 60))
    .bind(at(665 * 60))
    .execute(&mut *db)
    .await
    .unwrap();
    drop(db);
    (database, ids)
}

fn ask(set: &[(&str, f64)]) -> Ask {
    Ask {
        condition: Condition::VoltageRangeA,
        set: set.iter().map(|(name, value)| ((*name).to_owned(), *value)).collect(),
        part: Part::Fleet,
        days: (day("2026-01-01"), day("2026-01-01")),
    }
}

async fn outcome(database: &TestDatabase, ask: &Ask, bounds: Bounds) -> Result<Report, BacktestError> {
    run(&database.pool, ask, bounds, &Arc::default()).await
}

#[tokio::test]
async fn a_higher_limit_raises_what_the_one_in_force_does_and_more() {
    let (database, _) = database().await;
    let report = outcome(&database, &ask(&[("low_v", 116.0)]), BOUNDS).await.unwrap();
    let t = report.totals;
    assert_eq!((t.tried, t.in_force, t.real, t.real_tried), (2, 1, 1, 1), "{report:?}");
    assert_eq!((t.only_tried, t.only_in_force, t.both), (1, 0, 1));
    assert_eq!(report.places.len(), 2);
    let told: Vec<_> = report.episodes.iter().map(|e| (e.place, e.kind, e.alarm)).collect();
    assert_eq!(told, [(0, Kind::Both, Some(7)), (0, Kind::OnlyTried, None)]);
    assert!(report.episodes[0].summary.contains("113.0 V"), "{report:?}");
    assert_eq!((report.cut(), report.not_kept()), (None, 0));
}

#[tokio::test]
async fn thresholds_in_force_are_those_of_each_regulator() {
    let (database, ids) = database().await;
    sqlx::query(
        "insert into threshold (condition, parameter, scope_kind, scope_id, value)
            values ('voltage_range_a', 'low_v', 'regulator', $1, 112)",
    )
    .bind(ids[0])
    .execute(&database.pool)
    .await
    .unwrap();
    let report = outcome(&database, &ask(&[]), BOUNDS).await.unwrap();
    assert_eq!((report.totals.in_force, report.totals.tried), (0, 0), "112 V was never passed");
    // what is tried holds for all, whatever is set for one
    let report = outcome(&database, &ask(&[("low_v", 114.0)]), BOUNDS).await.unwrap();
    assert_eq!((report.totals.in_force, report.totals.tried), (0, 1));
}

#[tokio::test]
async fn bounds_cut_and_say_so_and_a_part_is_a_part() {
    let (database, ids) = database().await;
    let report = outcome(&database, &ask(&[]), Bounds { most_places: 1, ..BOUNDS }).await.unwrap();
    assert!(report.cut().unwrap().starts_with("Cut: 1 of 2 were judged"), "{report:?}");
    let hurried = Bounds { patience: Some(std::time::Duration::ZERO), ..BOUNDS };
    let report = outcome(&database, &ask(&[]), hurried).await.unwrap();
    assert!(report.cut().unwrap().starts_with("Cut: 0 of 2"), "{report:?}");
    let one = Ask { part: Part::Regulator(ids[1]), ..ask(&[]) };
    let report = outcome(&database, &one, BOUNDS).await.unwrap();
    assert_eq!((report.places.len(), report.totals.readings), (1, 1080));
    let nowhere = Ask { part: Part::Site(1), ..ask(&[]) };
    assert!(matches!(outcome(&database, &nowhere, BOUNDS).await, Err(BacktestError::Nothing)));
}

#[tokio::test]
async fn what_readings_do_not_tell_cannot_be_backtested_nor_periods_that_cannot_be() {
    let (database, _) = database().await;
    for condition in [Condition::EndpointSilent, Condition::PollerSilent] {
        let refused = outcome(&database, &Ask { condition, ..ask(&[]) }, BOUNDS).await.unwrap_err();
        assert!(refused.to_string().contains("not judged of the readings"), "{refused}");
    }
    for (from, to, why) in
        [("2026-01-02", "2026-01-01", "ends before"), ("2026-01-01", "2026-02-01", "32 days long")]
    {
        let refused = outcome(&database, &Ask { days: (day(from), day(to)), ..ask(&[]) }, BOUNDS).await;
        assert!(refused.unwrap_err().to_string().contains(why));
    }
}

/// A bank's readings are judged together in order of time, its alarms are the bank's.
#[tokio::test]
async fn a_bank_is_judged_as_a_whole() {
    let (database, ids) = database().await;
    let mut db = database.pool.acquire().await.unwrap();
    sqlx::query("update regulator set bank_id = (select bank_id from regulator where id = $1), phase = 'B' where id = $2")
        .bind(ids[0])
        .bind(ids[1])
        .execute(&mut *db)
        .await
        .unwrap();
    let tap = |m: i64, tap: f64| Reading::new(at(m * 60)).with(Quantity::Tap, tap);
    let readings: Vec<_> =
        (1440..2880).flat_map(|m| [(ids[0], tap(m, 8.0)), (ids[1], tap(m, -4.0))]).collect();
    write(&mut db, &batch("p", 2 * 86_400), &readings).await;
    drop(db);
    let day = day("2026-01-02");
    let spread = Ask { condition: Condition::TapSpread, days: (day, day), ..ask(&[]) };
    let report = outcome(&database, &spread, BOUNDS).await.unwrap();
    assert_eq!((report.places.len(), report.asked), (1, 1));
    assert!(report.totals.readings > 2000 && report.totals.tried >= 1, "12 taps apart all day: {report:?}");
}

#[test]
fn one_at_a_time() {
    let turn = Arc::new(Turn::default());
    let first = turn.take(Arc::new(Progress::new("the first".to_owned()))).unwrap();
    let running = turn.take(Arc::default()).unwrap_err();
    assert_eq!(running.words(), "“the first”, 0 of 0 done");
    drop(first);
    assert!(turn.take(Arc::default()).is_ok());
}
