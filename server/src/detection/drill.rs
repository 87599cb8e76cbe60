//! Killed at any point, detection loses and doubles nothing.

use std::sync::Arc;

use private_postgres::testing::TestDatabase;
use rand::{RngExt, SeedableRng, rngs::StdRng};
use regulator::{Quantity, Reading};
use sqlx::{Connection, PgConnection, PgPool};

use super::{Status, runner::Runner};
use crate::{
    alarms::{
        clock,
        desk::{self, Deed, Hand},
        replay,
    },
    feed::testing::{at, batch, write},
    inventory::testing::fleet,
};

/// A feed with something of everything: excursions, reversals, silences, late readings, restarts of the poller.
async fn write_feed(pool: &PgPool, seed: u64) {
    let mut random = StdRng::seed_from_u64(seed);
    let mut connection = pool.acquire().await.unwrap();
    let regulators = fleet(&mut connection, 4).await;
    sqlx::raw_sql("insert into recipient (name, email, area_kind, least_priority) values ('desk', 'desk@example.org', 'fleet', 1);
         insert into poller_health select p, now(), now(), 4, 4, 1, 1, 0, 0 from unnest(array['p', 'q']) p")
        .execute(&mut *connection)
        .await
        .unwrap();
    let first_endpoint: i32 =
        sqlx::query_scalar("select min(id) from endpoint").fetch_one(&mut *connection).await.unwrap();
    let (mut now, mut session) = (0, 0);
    let mut voltage = vec![120.0; regulators.len()];
    let mut counter = 0.0;
    for _ in 0..80 {
        let until = now + random.random_range(5..300);
        let mut readings = vec![];
        for (place, id) in regulators.iter().enumerate() {
            if random.random_bool(0.15) {
                continue;
            }
            if random.random_bool(0.3) {
                voltage[place] = random.random_range(108.0..130.0);
            }
            for s in (now + 1..=until).step_by(20) {
                counter += f64::from(random.random_range(0..3u8));
                let late = if random.random_bool(0.05) { 100 } else { 0 };
                let reading = Reading::new(at(s - late))
                    .with(Quantity::LoadVoltage, voltage[place])
                    .with(Quantity::RealPower, (voltage[place] - 119.0) * 10.0)
                    .with(Quantity::Operations, counter);
                readings.retain(|(i, r): &(i32, Reading)| (*i, r.measured_at) != (*id, reading.measured_at));
                readings.push((*id, reading));
            }
        }
        if random.random_bool(0.05) {
            session = until - 1;
        }
        now = until;
        let mut life = batch(if random.random_bool(0.9) { "p" } else { "q" }, now);
        life.session_started_at = at(session);
        if random.random_bool(0.3) {
            life = life.failing(first_endpoint, now - random.random_range(0..200));
        }
        write(&mut connection, &life, &readings).await;
    }
}

/// Everything that detection has written, without ids and times of writing.
async fn written(pool: &PgPool) -> Vec<String> {
    sqlx::query_scalar(
        "select concat_ws(' ', 'alarm', condition, regulator_id, endpoint_id, poller, raised_at, returned_at, summary, evidence,
                (select string_agg(concat_ws(' ', kind, at, t.evidence,
                        (select count(*) from notification n where n.transition_id = t.id)), ', ' order by kind)
                    from alarm_transition t where t.alarm_id = a.id)) as line
            from alarm a
         union all select concat_ws(' ', scope_kind, scope_id, state) from detection_state
         union all select 'cursor ' || batch_id from feed_cursor where follower = 'detection'
         order by line",
    )
    .fetch_all(pool)
    .await
    .unwrap()
}

#[tokio::test]
async fn interrupted_anywhere_it_ends_up_as_if_never_interrupted() {
    const SEED: u64 = 20_260_101;
    let whole = TestDatabase::new().await;
    write_feed(&whole.pool, SEED).await;
    let mut connection = whole.pool.acquire().await.unwrap();
    let mut runner = Runner::new(Arc::new(Status::default()));
    while runner.pass(&mut connection).await.unwrap() {}
    let expected = written(&whole.pool).await;
    let alarms = expected.iter().filter(|line| line.starts_with("alarm")).count();
    assert!(alarms >= 20, "a feed that tells something: {alarms}");

    let drilled = TestDatabase::new().await;
    write_feed(&drilled.pool, SEED).await;
    let kills = drill(&drilled).await;
    assert!(kills > 20, "{kills} interruptions");
    assert_eq!(written(&drilled.pool).await, expected);
}

/// Runs small passes with two runners, and interrupts about every other one. Returns how often.
async fn drill(database: &TestDatabase) -> u32 {
    let mut random = StdRng::seed_from_u64(7);
    let new = |random: &mut StdRng| {
        Runner::new(Arc::new(Status::default())).with_most_readings(random.random_range(1..60))
    };
    let mut runners = [new(&mut random), new(&mut random)];
    let mut kills = 0;
    loop {
        let mut connection = PgConnection::connect(&database.url).await.unwrap();
        let turn = random.random_range(0..2usize);
        match random.random_range(0..6u8) {
            // killed before the commit: process and connection are gone
            0 => {
                let mut transaction = connection.begin().await.unwrap();
                runners[turn].work(&mut transaction).await.unwrap();
                drop(transaction);
                runners[turn] = new(&mut random);
                kills += 1;
            }
            // the connection is cut somewhere within the pass; the process lives and finds out
            1 => {
                let pid: i32 =
                    sqlx::query_scalar("select pg_backend_pid()").fetch_one(&mut connection).await.unwrap();
                let cut = async {
                    tokio::time::sleep(std::time::Duration::from_micros(random.random_range(0..8000))).await;
                    let cut = "select pg_terminate_backend($1)";
                    sqlx::query(cut).bind(pid).execute(&database.pool).await.unwrap();
                };
                let (passed, ()) = tokio::join!(runners[turn].pass(&mut connection), cut);
                kills += u32::from(passed.is_err());
            }
            // killed right after the commit
            2 => {
                runners[turn].pass(&mut connection).await.unwrap();
                runners[turn] = new(&mut random);
                kills += 1;
            }
            // undisturbed, then the other server's turn
            _ => {
                if !runners[turn].pass(&mut connection).await.unwrap() {
                    return kills;
                }
            }
        }
    }
}

/// While passes are interrupted, people act on alarms at random and the clock ticks, and is interrupted too.
#[tokio::test]
async fn whatever_people_the_clock_and_interruptions_do_the_steps_give_the_present_states() {
    let database = TestDatabase::new().await;
    write_feed(&database.pool, 20_260_102).await;
    let mut random = StdRng::seed_from_u64(11);
    let new = |random: &mut StdRng| {
        Runner::new(Arc::new(Status::default())).with_most_readings(random.random_range(1..40))
    };
    let mut runner = new(&mut random);
    let mut db = PgConnection::connect(&database.url).await.unwrap();
    let (mut now, mut deeds, mut interrupted) = (0, 0, 0);
    loop {
        now += random.random_range(1..120);
        let kill = random.random_bool(0.4);
        let mut transaction = db.begin().await.unwrap();
        let finished = match random.random_range(0..3u8) {
            0 => {
                deeds += u32::from(act(&mut transaction, now, &mut random).await && !kill);
                false
            }
            1 => {
                clock::tick(&mut transaction, at(now)).await.unwrap();
                false
            }
            _ => runner.work(&mut transaction).await.unwrap().is_idle(),
        };
        if kill {
            interrupted += 1;
            drop(transaction);
            runner = new(&mut random);
            db = PgConnection::connect(&database.url).await.unwrap();
        } else {
            transaction.commit().await.unwrap();
            if finished {
                break;
            }
        }
    }
    assert!(interrupted > 20 && deeds > 20, "{interrupted} interruptions, {deeds} deeds");
    assert_eq!(replay::differences(&mut db).await.unwrap(), Vec::<String>::new());
    let kinds: i64 = sqlx::query_scalar("select count(distinct kind) from alarm_transition")
        .fetch_one(&mut db)
        .await
        .unwrap();
    assert!(kinds >= 7, "steps of {kinds} kinds");
}

/// One deed on one alarm; whether it had a meaning.
async fn act(db: &mut PgConnection, now: i64, random: &mut StdRng) -> bool {
    let ids: Vec<i64> =
        sqlx::query_scalar("select id from alarm order by id").fetch_all(&mut *db).await.unwrap();
    if ids.is_empty() {
        return false;
    }
    let deed = match random.random_range(0..6u8) {
        0 | 1 => Deed::Acknowledge,
        2 => Deed::Shelve(at(now + random.random_range(60..3600))),
        3 => Deed::Unshelve,
        4 => Deed::TakeOutOfService,
        _ => Deed::PutBack,
    };
    let hand = Hand { person: "Ola", at: at(now), why: Some("a drill") };
    let alarm = ids[random.random_range(0..ids.len())];
    desk::act(db, alarm, deed, hand).await.unwrap().expect("there is such an alarm").is_ok()
}

/// Prints how fast a backlog is judged: `cargo nextest run --release -p server --run-ignored only backlog --no-capture`.
#[tokio::test]
#[ignore = "a measurement"]
async fn speed_of_a_backlog() {
    const REGULATORS: i32 = 90;
    let database = TestDatabase::new().await;
    let mut connection = database.pool.acquire().await.unwrap();
    fleet(&mut connection, REGULATORS).await;
    sqlx::raw_sql(
        "select make_reading_partitions('2026-01-01', '2026-01-03');
         insert into reading select r.id, t, 120 + 8 * sin(extract(epoch from t) / 4000 + r.id), 119, 80, 100 * sin(extract(epoch from t) / 9000), 20, 0.9,
                floor(8 * sin(extract(epoch from t) / 4000))::int, floor(extract(epoch from t - '2026-01-01 00:00Z') / 600)::bigint, true, false, false, false, 122, 2, 30, 0, 0,
                '\\x0101010101010101010101010101010101'
            from generate_series('2026-01-01 00:00Z'::timestamptz, '2026-01-02 06:51Z', interval '10 seconds') t, regulator r;
         analyze reading;
         insert into reading_batch (poller, session_started_at, watermark, regulator_ids, measured_at)
            select 'p', '2026-01-01', max(measured_at), array_agg(regulator_id), array_agg(measured_at)
            from reading group by floor(extract(epoch from measured_at) / 2220) order by 3",
    )
    .execute(&mut *connection)
    .await
    .unwrap();
    let status = Arc::new(Status::default());
    let mut runner = Runner::new(Arc::clone(&status));
    let begun = std::time::Instant::now();
    while runner.pass(&mut connection).await.unwrap() {}
    let (took, done) = (begun.elapsed(), status.snapshot());
    #[allow(clippy::cast_precision_loss)]
    let rate = done.readings_judged as f64 / took.as_secs_f64();
    println!(
        "{} readings in {took:?}: {rate:.0} readings/s, {} alarms",
        done.readings_judged, done.alarms_raised
    );
    assert!(done.readings_judged > 900_000);
}

/// Prints how long a reading takes from its writing to its alarm's row, at 500 readings/s of 2,000 regulators.
#[tokio::test]
#[ignore = "a measurement"]
async fn latency_at_500_readings_a_second() {
    let database = TestDatabase::new().await;
    let mut connection = database.pool.acquire().await.unwrap();
    let regulators = fleet(&mut connection, 2000).await;
    sqlx::raw_sql(
        "insert into threshold (condition, parameter, scope_kind, value)
            values ('voltage_range_b', 'delay_s', 'fleet', 0), ('voltage_range_b', 'return_delay_s', 'fleet', 0)",
    )
    .execute(&mut *connection)
    .await
    .unwrap();
    let stop = tokio_util::sync::CancellationToken::new();
    let running = tokio::spawn(super::run(database.pool.clone(), Arc::new(Status::default()), stop.clone()));
    let session = chrono::Utc::now();
    let mut pace = tokio::time::interval(std::time::Duration::from_millis(200));
    for round in 0..200usize {
        pace.tick().await;
        let now = chrono::Utc::now();
        let readings: Vec<_> = (0..100)
            .map(|i| {
                let place = (round * 100 + i) % regulators.len();
                // each regulator is out in every other of its readings
                let out = (round * 100 + i) / regulators.len() % 2 == 0;
                let voltage = if out { 130.0 } else { 120.0 };
                (regulators[place], Reading::new(now).with(Quantity::LoadVoltage, voltage))
            })
            .collect();
        let mut life = batch("p", 0);
        (life.session_started_at, life.watermark, life.written_at) = (session, now, chrono::Utc::now());
        write(&mut connection, &life, &readings).await;
    }
    tokio::time::sleep(std::time::Duration::from_secs(2)).await;
    stop.cancel();
    running.await.unwrap();
    let line: String = sqlx::query_scalar(
        "select format('%s alarms, from writing to row: median %s s, 99th percentile %s s, worst %s s', count(*),
                percentile_cont(0.5) within group (order by took), percentile_cont(0.99) within group (order by took),
                max(took))
            from (select extract(epoch from recorded_at - raised_at) as took from alarm) a",
    )
    .fetch_one(&mut *connection)
    .await
    .unwrap();
    println!("{line}");
    assert!(!line.starts_with("0 "));
}
