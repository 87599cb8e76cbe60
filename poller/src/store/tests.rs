//! The writer against a real database.

use chrono::{DateTime, TimeDelta, Utc};
use private_postgres::testing::TestDatabase;
use regulator::{Age, Quality, Quantity, Reading, TimeSource};
use sqlx::PgConnection;

use super::{row::Row, *};

pub(super) async fn writer(database: &TestDatabase) -> Writer {
    let connection = database.pool.acquire().await.unwrap().detach();
    Writer::new(connection, "test".into(), Utc::now())
}

fn now() -> DateTime<Utc> {
    DateTime::from_timestamp_micros(Utc::now().timestamp_micros()).unwrap()
}

pub(super) async fn stored(connection: &mut PgConnection) -> Vec<(i32, Reading)> {
    let rows = sqlx::query_as!(Row, "select * from reading order by regulator_id, measured_at")
        .fetch_all(connection)
        .await
        .unwrap();
    rows.iter().map(|row| (row.regulator_id, row.reading())).collect()
}

/// Values that an f32 holds exactly, so that what comes back equals what went in.
fn full(at: DateTime<Utc>) -> Reading {
    let mut reading = Reading::new(at);
    for (i, &quantity) in Quantity::ALL.iter().enumerate() {
        let value = if quantity.is_flag() { (i % 2) as f64 } else { i as f64 - 3.0 };
        reading.set(quantity, Some(value), Quality::ALL[1 + i % 8]);
    }
    reading
}

#[tokio::test]
async fn what_is_written_comes_back_and_is_named_in_the_feed() {
    let database = TestDatabase::new().await;
    let mut writer = writer(&database).await;
    let at = now();
    let mut partial = Reading::new(at - TimeDelta::days(3));
    partial.set(Quantity::Tap, None, Quality::NotAvailable);
    let mut reported = full(at);
    reported.time_source = TimeSource::Device;
    reported.set_age(Quantity::Current, Age::from_seconds(90));
    let batch = [(50_002, reported), (50_001, full(at)), (50_001, partial)];
    let failing =
        [Failing { endpoint: 40_001, unit: Some(3), since: at, error: "no answer within 1 s".into() }];
    let id = writer.write(&batch, at, &failing).await.unwrap();

    let mut connection = database.pool.acquire().await.unwrap();
    let expected = [batch[2].clone(), batch[1].clone(), batch[0].clone()];
    assert_eq!(stored(&mut connection).await, expected);
    let feed = sqlx::query!("select * from reading_batch").fetch_one(&mut *connection).await.unwrap();
    assert_eq!((feed.id, feed.poller.as_str(), feed.watermark), (id.0, "test", at));
    assert_eq!(feed.regulator_ids, [50_001, 50_001, 50_002]);
    assert_eq!(feed.measured_at, [at - TimeDelta::days(3), at, at]);
    assert_eq!(feed.failing[0]["unit"], 3);
}

#[tokio::test]
async fn events_within_one_tick_of_a_devices_clock_are_all_kept_and_told_again_are_the_same() {
    let database = TestDatabase::new().await;
    let mut writer = writer(&database).await;
    let at = DateTime::from_timestamp_millis(Utc::now().timestamp_millis()).unwrap();
    let event = |count: f64| {
        let mut event = Reading::new(at).with(Quantity::Operations, count);
        event.time_source = TimeSource::Device;
        (50_001, event)
    };
    let polled = (50_001, Reading::new(at).with(Quantity::Tap, 3.0));
    writer.write(&[event(7.0), event(8.0), polled], at, &[]).await.unwrap();
    writer.write(&[event(9.0)], at, &[]).await.unwrap();
    for again in [vec![event(8.0), event(9.0)], vec![event(9.0)], vec![event(7.0)]] {
        writer.write(&again, at, &[]).await.unwrap();
    }
    let mut connection = database.pool.acquire().await.unwrap();
    let stored: Vec<_> = stored(&mut connection)
        .await
        .iter()
        .map(|(_, r)| {
            ((r.measured_at - at).num_microseconds(), r.good(Quantity::Operations), r.good(Quantity::Tap))
        })
        .collect();
    assert_eq!(
        stored,
        [(Some(0), Some(7.0), Some(3.0)), (Some(1), Some(8.0), None), (Some(2), Some(9.0), None)]
    );
}

#[tokio::test]
async fn writing_a_batch_twice_is_harmless_and_announces_nothing_new() {
    let database = TestDatabase::new().await;
    let mut writer = writer(&database).await;
    let batch = [(50_001, full(now())), (50_002, full(now()))];
    writer.write(&batch, now(), &[]).await.unwrap();
    let mut connection = database.pool.acquire().await.unwrap();
    let before = stored(&mut connection).await;
    let again = writer.write(&batch, now(), &[]).await.unwrap();
    assert_eq!(stored(&mut connection).await, before);
    let named =
        sqlx::query_scalar!("select cardinality(regulator_ids) from reading_batch where id = $1", again.0);
    assert_eq!(named.fetch_one(&mut *connection).await.unwrap(), Some(0));
}

#[tokio::test]
async fn two_partial_readings_of_one_instant_merge_within_a_batch_and_with_what_is_stored() {
    let database = TestDatabase::new().await;
    let mut writer = writer(&database).await;
    let at = now();
    let volts = Reading::new(at).with(Quantity::LoadVoltage, 121.5);
    let amps = Reading::new(at + TimeDelta::nanoseconds(400)).with(Quantity::Current, 80.0);
    let tap = Reading::new(at).with(Quantity::Tap, 3.0);
    writer.write(&[(50_001, volts), (50_001, amps)], at, &[]).await.unwrap();
    let other = Reading::new(at).with(Quantity::Tap, -2.0);
    let id = writer.write(&[(50_001, tap), (50_002, other)], at, &[]).await.unwrap();

    let mut connection = database.pool.acquire().await.unwrap();
    let rows = stored(&mut connection).await;
    assert_eq!(rows.len(), 2);
    let merged = &rows[0].1;
    assert_eq!(merged.good(Quantity::LoadVoltage), Some(121.5));
    assert_eq!(merged.good(Quantity::Current), Some(80.0));
    assert_eq!(merged.good(Quantity::Tap), Some(3.0));
    let named = sqlx::query_scalar!("select regulator_ids from reading_batch where id = $1", id.0);
    let mut named = named.fetch_one(&mut *connection).await.unwrap();
    named.sort_unstable();
    assert_eq!(named, [50_001, 50_002]);
}

#[tokio::test]
async fn absurd_dates_are_refused_and_hold_nothing_up() {
    let database = TestDatabase::new().await;
    let mut writer = writer(&database).await;
    let batch = [
        (50_001, full(now() + TimeDelta::days(2))),
        (50_001, full(DateTime::UNIX_EPOCH)),
        (50_001, full(DateTime::<Utc>::MAX_UTC)),
        (50_001, full(now())),
    ];
    writer.write(&batch, now(), &[]).await.unwrap();
    assert_eq!(writer.refused(), 3);
    let mut connection = database.pool.acquire().await.unwrap();
    assert_eq!(stored(&mut connection).await, [batch[3].clone()]);
}

#[tokio::test]
async fn a_value_that_fits_no_column_is_missing_and_says_so() {
    let database = TestDatabase::new().await;
    let mut writer = writer(&database).await;
    let reading = Reading::new(now())
        .with(Quantity::Tap, 3e9)
        .with(Quantity::Operations, 1e19)
        .with(Quantity::LoadVoltage, 1e300)
        .with(Quantity::Current, 5.0);
    let negative = Reading::new(now()).with(Quantity::Operations, -4.0);
    writer.write(&[(50_001, reading), (50_002, negative)], now(), &[]).await.unwrap();
    let mut connection = database.pool.acquire().await.unwrap();
    let rows = stored(&mut connection).await;
    for quantity in [Quantity::Tap, Quantity::Operations, Quantity::LoadVoltage] {
        assert_eq!(rows[0].1.value(quantity), None);
        assert_eq!(rows[0].1.quality(quantity), Quality::OutOfRange);
    }
    assert_eq!(rows[0].1.good(Quantity::Current), Some(5.0));
    assert_eq!(rows[1].1.value(Quantity::Operations), Some(-4.0));
    assert_eq!(rows[1].1.good(Quantity::Operations), None);
}

#[tokio::test]
async fn an_empty_batch_is_a_sign_of_life() {
    let database = TestDatabase::new().await;
    let mut writer = writer(&database).await;
    let first = writer.write(&[], now(), &[]).await.unwrap();
    let second = writer.write(&[], now(), &[]).await.unwrap();
    assert!(second > first);
}

#[tokio::test]
async fn a_partition_dropped_behind_the_writers_back_is_made_again() {
    let database = TestDatabase::new().await;
    let mut writer = writer(&database).await;
    let old = now() - TimeDelta::days(10);
    writer.write(&[(50_001, full(old))], now(), &[]).await.unwrap();
    let mut connection = database.pool.acquire().await.unwrap();
    assert_eq!(drop_old(&mut connection, now(), TimeDelta::days(5)).await.unwrap(), 1);
    writer.write(&[(50_002, full(old))], now(), &[]).await.unwrap();
    assert_eq!(stored(&mut connection).await, [(50_002, full(old))]);
}

#[tokio::test]
async fn concurrent_writers_of_the_same_keys_lose_nothing() {
    let database = TestDatabase::new().await;
    let at = now();
    let parts = |quantity: Quantity| -> Vec<(i32, Reading)> {
        (0..500)
            .map(|i| {
                (50_000 + i % 5, Reading::new(at - TimeDelta::seconds(i64::from(i))).with(quantity, 7.0))
            })
            .collect()
    };
    let (mut a, mut b) = (writer(&database).await, writer(&database).await);
    let (volts, amps) = (parts(Quantity::LoadVoltage), parts(Quantity::Current));
    let (first, second) = tokio::join!(a.write(&volts, at, &[]), b.write(&amps, at, &[]));
    first.unwrap();
    second.unwrap();
    let mut connection = database.pool.acquire().await.unwrap();
    let rows = stored(&mut connection).await;
    assert_eq!(rows.len(), 500);
    for (_, reading) in rows {
        assert_eq!(
            (reading.good(Quantity::LoadVoltage), reading.good(Quantity::Current)),
            (Some(7.0), Some(7.0))
        );
    }
}
