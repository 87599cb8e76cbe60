//! The rollups against what a plain query over the readings gives.

use chrono::{DateTime, TimeDelta, Utc};
use private_postgres::testing::TestDatabase;
use proptest::prelude::*;
use regulator::{Quality, Quantity, Reading};

use super::*;
use crate::store::Writer;

/// Regulators of an inventory of three zones, one with half hours; counters that start again at 40, 65,536 and 2^32.
const INVENTORY: &str = "
    insert into substation values (1, 'S');
    insert into feeder values (1, 1, 'F');
    insert into site (id, feeder_id, name, time_zone) values
        (1, 1, 'west', 'America/Chicago'), (2, 1, 'half', 'Australia/Lord_Howe'), (3, 1, 'midnight', 'America/Havana');
    insert into bank select id, id, 'B', 'wye' from site;
    insert into profile (name, source) values ('p', '');
    insert into endpoint values (1, 'modbus-tcp://127.0.0.1:502');
    insert into regulator (id, bank_id, phase, kva, rated_current_a, rated_voltage_v, pt_ratio, ct_ratio, endpoint_id, unit,
                           profile, counter_modulus)
    select s.id, s.id, 'A', 100, 100, 7200, 60, 100, 1, s.id, 'p', m
    from site s join (values (1, 40), (2, 65536), (3, 4294967296)) m (id, m) using (id);";

/// What each table must hold, written without a look at how it is made.
const PLAIN: &str = "
    with r as (
        select r.*, date_trunc('UNIT', r.measured_at, s.time_zone) as bucket, g.counter_modulus as modulus
        from reading r join regulator g on g.id = r.regulator_id join bank b on b.id = g.bank_id join site s on s.id = b.site_id
    ), counted as (
        select regulator_id, bucket, modulus, measured_at, operations,
               lag(operations) over w as before, lag(measured_at) over w as before_at
        from r where quality_of(quality, 7) = 1
        window w as (partition by regulator_id, bucket order by measured_at)
    ), counts as (
        select regulator_id, bucket,
               sum(operations_between(before, operations, modulus, measured_at - before_at)) as operations
        from counted group by 1, 2
    ), plain as (
        select regulator_id, bucket, count(*)::int as readings,
               count(*) filter (where quality_of(quality, 0) = 1)::int,
               min(load_voltage) filter (where quality_of(quality, 0) = 1),
               max(load_voltage) filter (where quality_of(quality, 0) = 1),
               sum(load_voltage::double precision) filter (where quality_of(quality, 0) = 1),
               count(*) filter (where quality_of(quality, 1) = 1)::int,
               min(source_voltage) filter (where quality_of(quality, 1) = 1),
               max(source_voltage) filter (where quality_of(quality, 1) = 1),
               sum(source_voltage::double precision) filter (where quality_of(quality, 1) = 1),
               count(*) filter (where quality_of(quality, 2) = 1)::int,
               min(current) filter (where quality_of(quality, 2) = 1),
               max(current) filter (where quality_of(quality, 2) = 1),
               sum(current::double precision) filter (where quality_of(quality, 2) = 1),
               count(*) filter (where quality_of(quality, 3) = 1)::int,
               min(real_power) filter (where quality_of(quality, 3) = 1),
               max(real_power) filter (where quality_of(quality, 3) = 1),
               sum(real_power::double precision) filter (where quality_of(quality, 3) = 1),
               count(*) filter (where quality_of(quality, 4) = 1)::int,
               min(reactive_power) filter (where quality_of(quality, 4) = 1),
               max(reactive_power) filter (where quality_of(quality, 4) = 1),
               sum(reactive_power::double precision) filter (where quality_of(quality, 4) = 1),
               min(tap) filter (where quality_of(quality, 6) = 1),
               max(tap) filter (where quality_of(quality, 6) = 1),
               (array_agg(tap order by measured_at) filter (where quality_of(quality, 6) = 1))[1],
               (array_agg(tap order by measured_at desc) filter (where quality_of(quality, 6) = 1))[1],
               (array_agg(r.operations order by measured_at) filter (where quality_of(quality, 7) = 1))[1],
               min(measured_at) filter (where quality_of(quality, 7) = 1),
               (array_agg(r.operations order by measured_at desc) filter (where quality_of(quality, 7) = 1))[1],
               max(measured_at) filter (where quality_of(quality, 7) = 1),
               coalesce((select c.operations from counts c where (c.regulator_id, c.bucket) = (r.regulator_id, r.bucket)), 0)::bigint
        from r group by regulator_id, bucket
    )
    select 'missing' as what, * from (table plain except table rollup_UNIT) a
    union all
    select 'too much' as what, * from (table rollup_UNIT except table plain) b";

async fn differences(connection: &mut PgConnection, unit: &str) -> Vec<String> {
    let query = format!("select d::text from ({}) d", PLAIN.replace("UNIT", unit));
    sqlx::query_scalar(sqlx::AssertSqlSafe(query)).fetch_all(connection).await.unwrap()
}

async fn assert_equal_to_plain(connection: &mut PgConnection) {
    for unit in ["minute", "hour", "day"] {
        assert_eq!(differences(connection, unit).await, [""; 0], "rollup_{unit}");
    }
}

/// Seconds since the start, regulator, kind of value, counter: few of each, so that they meet.
fn readings() -> impl Strategy<Value = Vec<(i32, Reading)>> {
    // before, in and after the changes of all three zones in 2025/26, in bursts; and a run of consecutive seconds
    let start = prop_oneof![
        Just("2026-03-08T04:00:00Z"), // Havana and Chicago go forward
        Just("2025-11-02T03:30:00Z"), // and back
        Just("2026-04-04T13:40:00Z"), // Lord Howe goes back by half an hour
        Just("2025-10-04T14:00:00Z"), // and forward
        Just("2026-01-31T22:00:00Z"), // a month's end
    ];
    let offset = prop_oneof![3 => 0..240_i64, 1 => 0..20_000_i64, 1 => 0..200_000_i64];
    let one = (start, offset, 1..4_i32, 0..6_u8, 0..45_i64, -8..8_i32).prop_map(
        |(start, offset, id, kind, counter, value)| {
            let at = start.parse::<DateTime<Utc>>().unwrap() + TimeDelta::seconds(offset);
            (id, reading(at, kind, counter, value))
        },
    );
    prop::collection::vec(one, 1..120)
}

/// Values in quarters, so that sums are exact in any order.
fn reading(at: DateTime<Utc>, kind: u8, counter: i64, value: i32) -> Reading {
    let quality = |bad: bool| if bad { Quality::OutOfRange } else { Quality::Good };
    let mut reading = Reading::new(at);
    let volts = f64::from(value) / 4.0;
    reading.set(Quantity::LoadVoltage, Some(120.0 + volts), quality(kind == 1));
    reading.set(Quantity::RealPower, Some(volts), Quality::Good);
    if kind != 2 {
        reading.set(Quantity::Tap, Some(f64::from(value)), quality(kind == 3));
        // near the rollover of a 16-bit counter, and small
        let count = if kind == 4 { 65_500 + counter } else { counter };
        reading.set(Quantity::Operations, Some(count as f64), quality(kind == 5));
    }
    reading
}

async fn rollup(database: &TestDatabase) -> Rollup {
    Rollup::new(database.pool.acquire().await.unwrap().detach()).await.unwrap()
}

async fn catch_up(rollup: &mut Rollup) {
    while rollup.pass().await.unwrap() != Pass::Idle {}
}

#[test]
fn rollups_equal_a_plain_query_whatever_the_order_of_arrival() {
    let runtime = tokio::runtime::Runtime::new().unwrap();
    let database = runtime.block_on(TestDatabase::new());
    runtime.block_on(sqlx::raw_sql(INVENTORY).execute(&database.pool)).unwrap();
    let config = ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(10) };
    let batches = prop::collection::vec(readings(), 1..5);
    // cases go on in one database: each finds the readings and the shelves that those before it left
    let state = std::cell::RefCell::new(Some(runtime.block_on(rollup(&database))));
    let mut runner = proptest::test_runner::TestRunner::new(config);
    runner
        .run(&(batches, any::<bool>()), |(batches, restart)| {
            runtime.block_on(async {
                let connection = database.pool.acquire().await.unwrap().detach();
                let mut writer =
                    Writer::new(connection, "test".into(), Utc::now()).keeping(TimeDelta::days(4000));
                let kept = state.take().filter(|_| !restart);
                let mut keeper = match kept {
                    Some(keeper) => keeper,
                    None => rollup(&database).await,
                };
                for batch in &batches {
                    writer.write(batch, Utc::now(), &[]).await.unwrap();
                    catch_up(&mut keeper).await;
                }
                let mut connection = database.pool.acquire().await.unwrap();
                assert_equal_to_plain(&mut connection).await;
                state.replace(Some(keeper));
            });
            Ok(())
        })
        .unwrap();
    let in_default = runtime.block_on(
        sqlx::query_scalar!("select count(*) from rollup_minute_default").fetch_one(&database.pool),
    );
    assert_eq!(in_default.unwrap(), Some(0), "a month's partition was not made ahead");
}

#[tokio::test]
async fn two_rollups_at_once_share_the_work_without_counting_twice() {
    let database = TestDatabase::new().await;
    sqlx::raw_sql(INVENTORY).execute(&database.pool).await.unwrap();
    let mut writer = Writer::new(database.pool.acquire().await.unwrap().detach(), "test".into(), Utc::now());
    let (mut a, mut b) = (rollup(&database).await, rollup(&database).await);
    let start = clock::minute(Utc::now()) - TimeDelta::hours(2);
    for i in 0..20 {
        let at = start + TimeDelta::seconds(10 * i);
        writer.write(&[(1, reading(at, 0, i, 1)), (2, reading(at, 0, i, 1))], at, &[]).await.unwrap();
        let (one, other) = tokio::join!(a.pass(), b.pass());
        one.unwrap();
        other.unwrap();
    }
    assert_equal_to_plain(&mut database.pool.acquire().await.unwrap()).await;
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(4) })]
    #[test]
    fn sql_counts_operations_as_the_rules_do(
        cases in prop::collection::vec((counts(), counts(), modulus(), -100_000_000..400_000_000_i64), 4000)
    ) {
        tokio::runtime::Runtime::new().unwrap().block_on(async {
            let database = TestDatabase::new().await;
            let column = |pick: fn(&(i64, i64, i64, i64)) -> i64| cases.iter().map(pick).collect::<Vec<_>>();
            let counted = sqlx::query_scalar!(
                "select operations_between(a, b, m, t * interval '1 microsecond')
                 from unnest($1::bigint[], $2::bigint[], $3::bigint[], $4::bigint[]) with ordinality c (a, b, m, t, i) order by i",
                &column(|c| c.0), &column(|c| c.1), &column(|c| c.2), &column(|c| c.3)
            )
            .fetch_all(&database.pool)
            .await
            .unwrap();
            assert_eq!(counted.len(), cases.len());
            for ((earlier, later, modulus, elapsed_us), sql) in cases.into_iter().zip(counted) {
                let unsigned = |n: i64| u64::try_from(n).unwrap();
                let elapsed_s = elapsed_us as f64 / 1e6;
                let step = regulator::counter::step(unsigned(earlier), unsigned(later), unsigned(modulus), elapsed_s);
                assert_eq!(sql.map(unsigned), Some(step.operations()), "{earlier} {later} {modulus} {elapsed_us}");
            }
        });
    }
}

fn counts() -> impl Strategy<Value = i64> {
    let edge = prop_oneof![Just(0), Just(1 << 16), Just(1 << 32), Just(40), Just(i64::MAX - 300)];
    (edge, -300..300_i64).prop_map(|(edge, off)| (edge + off).max(0))
}

fn modulus() -> impl Strategy<Value = i64> {
    prop_oneof![Just(40), Just(1 << 16), Just(1 << 32), Just(i64::MAX)]
}
