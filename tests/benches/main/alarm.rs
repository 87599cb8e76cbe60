//! From a reading's arrival to its alarm row: 500 readings a second of 2,000 regulators.
//!
//! A reading arrives when it is handed to the channel in front of the store, as an endpoint's task does. It then goes the whole
//! way: gathered into a batch, written, followed by detection, which writes the alarm. Rollups run beside it as they do in a
//! poller. Voltages leave and enter range at random, without delay. Two ends are measured: the time that the row carries, and
//! when another connection that looks every 20 ms first sees the row; the promise is judged by the later one.

use std::{
    collections::{HashMap, HashSet},
    sync::Arc,
    time::Duration,
};

use anyhow::{Context, Result, ensure};
use chrono::{DateTime, DurationRound, TimeDelta, Utc};
use poller::{
    endpoint::{self, Clock, Report, ReportSender},
    metrics::Shared,
    store::{self, Target, rollup},
};
use private_postgres::Durability;
use rand::RngExt;
use regulator::Quantity;
use sqlx::{Connection, PgConnection, PgPool};
use tokio::time::{Instant, interval, sleep};
use tokio_util::sync::CancellationToken;

use crate::{
    fleet::{self, REGULATORS},
    process,
    report::{Table, quantile, verdict},
};

const SECONDS: u32 = 30;
/// So many readings at once, so often: 500 a second.
const TOGETHER: usize = 10;
const EVERY: Duration = Duration::from_millis(20);
const MOST: f64 = 1.0;

/// A regulator and the instant of its reading.
type Key = (i32, DateTime<Utc>);

pub(crate) async fn run() -> Result<()> {
    let (_folder, cluster) = process::cluster(Durability::Full)?;
    let url = process::database(&cluster, "alarm").await?;
    let pool = PgPool::connect(&url).await?;
    let ids = fleet::create(&mut *pool.acquire().await?, REGULATORS).await?;
    sqlx::query(
        "insert into threshold (condition, parameter, scope_kind, value)
         select c, p, 'fleet', 0 from unnest(array['voltage_range_a', 'voltage_range_b']) c,
             unnest(array['delay_s', 'return_delay_s']) p",
    )
    .execute(&pool)
    .await?;

    let (stop, clock, counters) =
        (CancellationToken::new(), Arc::new(Clock::system()), Shared::new(Utc::now()));
    let (sender, reports) = endpoint::channel(100_000);
    let target = Target {
        database_url: url.clone(),
        poller: "bench".to_owned(),
        session_started_at: Utc::now(),
        retention: TimeDelta::days(400),
    };
    let storing = tokio::spawn(store::run(target, 1_000_000, reports, clock, counters));
    let detecting = tokio::spawn(server::detection::run(pool.clone(), Arc::default(), stop.clone()));
    let rolling = tokio::spawn(roll_up(url.clone(), stop.clone()));
    let looking = tokio::spawn(look(url.clone(), stop.clone()));
    // before anything is measured, every regulator is known and well
    for &id in &ids {
        sender.send(Report::Reading { regulator_id: id, reading: fleet::reading(id, now()?, 0) });
    }
    sleep(Duration::from_secs(5)).await;
    let expected = send(&sender, &ids).await?;
    sleep(Duration::from_secs(5)).await;
    stop.cancel();
    drop(sender);
    let seen = looking.await??;
    storing.await?;
    detecting.await?;
    rolling.await??;
    show(&pool, &expected, &seen).await
}

/// Sends the readings; returns those with which a voltage leaves its range.
async fn send(sender: &ReportSender, ids: &[i32]) -> Result<HashSet<Key>> {
    let mut ticks = interval(EVERY);
    let end = Instant::now() + Duration::from_secs(SECONDS.into());
    let (mut out, mut left) = (HashSet::new(), HashSet::new());
    for round in ids.chunks(TOGETHER).cycle() {
        ticks.tick().await;
        if Instant::now() >= end {
            break;
        }
        for &id in round {
            let at = now()?;
            if rand::rng().random_range(0..10) == 0 && !out.remove(&id) {
                out.insert(id);
                left.insert((id, at));
            }
            let voltage = if out.contains(&id) { 131.0 } else { 120.0 };
            let reading = fleet::reading(id, at, 0).with(Quantity::LoadVoltage, voltage);
            sender.send(Report::Reading { regulator_id: id, reading });
        }
    }
    Ok(left)
}

/// Now, in the whole microseconds that a row can carry.
fn now() -> Result<DateTime<Utc>> {
    Ok(Utc::now().duration_trunc(TimeDelta::microseconds(1))?)
}

async fn roll_up(url: String, stop: CancellationToken) -> Result<()> {
    let mut rollup = rollup::Rollup::new(PgConnection::connect(&url).await?).await?;
    while !stop.is_cancelled() {
        if rollup.pass().await? == rollup::Pass::Idle {
            sleep(Duration::from_secs(2)).await;
        }
    }
    Ok(())
}

/// Notes when each alarm is first seen.
async fn look(url: String, stop: CancellationToken) -> Result<HashMap<i64, DateTime<Utc>>> {
    let mut connection = PgConnection::connect(&url).await?;
    let (mut seen, mut last) = (HashMap::new(), 0);
    while !stop.is_cancelled() {
        let new: Vec<i64> = sqlx::query_scalar("select id from alarm where id > $1 order by id")
            .bind(last)
            .fetch_all(&mut connection)
            .await?;
        let at = Utc::now();
        last = new.last().copied().unwrap_or(last);
        seen.extend(new.into_iter().map(|id| (id, at)));
        sleep(Duration::from_millis(20)).await;
    }
    Ok(seen)
}

async fn show(pool: &PgPool, expected: &HashSet<Key>, seen: &HashMap<i64, DateTime<Utc>>) -> Result<()> {
    let alarms: Vec<(i64, i32, DateTime<Utc>, DateTime<Utc>)> = sqlx::query_as(
        "select id, regulator_id, raised_at, recorded_at from alarm where condition like 'voltage_range_%'",
    )
    .fetch_all(pool)
    .await?;
    let readings: i64 = sqlx::query_scalar("select count(*) from reading").fetch_one(pool).await?;
    // a voltage outside range B is outside range A as well
    ensure!(alarms.len() == 2 * expected.len(), "{} alarms for {} readings", alarms.len(), expected.len());
    let (mut to_row, mut to_sight) = (vec![], vec![]);
    for (id, regulator, raised_at, recorded_at) in alarms {
        ensure!(expected.contains(&(regulator, raised_at)), "an alarm of a reading that was in range");
        let since = |at: DateTime<Utc>| (at - raised_at).as_seconds_f64();
        to_row.push(since(recorded_at));
        to_sight.push(since(*seen.get(&id).context("an alarm that nobody saw")?));
    }
    let sent = readings - i64::from(REGULATORS);
    let title = format!(
        "From a reading's arrival to its alarm: {:.0} readings/s of 2,000 regulators for {SECONDS} s, {} alarms (promise: 99 % under 1 s)",
        f64::from(i32::try_from(sent)?) / f64::from(SECONDS),
        to_row.len()
    );
    let mut table = Table::new(&title, &["until", "median", "99 %", "longest", "promise"]);
    for (what, times) in [("the row's own time", &to_row), ("another connection sees it", &to_sight)] {
        let [median, most, longest] = [0.5, 0.99, 1.0].map(|share| quantile(times, share));
        let kept = verdict(most < MOST);
        table.row([
            what.into(),
            format!("{median:.3} s"),
            format!("{most:.3} s"),
            format!("{longest:.3} s"),
            kept,
        ]);
    }
    table.print();
    Ok(())
}
