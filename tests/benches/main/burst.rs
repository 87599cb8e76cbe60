//! A burst of alarms: 2,000 regulators leave both voltage ranges, return and leave them again, all in one writing.
//!
//! Detection, the picture behind the board and the list in groups run as in a server. Measured from the commit of the readings to the last
//! step being recorded, to the open board's picture showing every open alarm, and to the list in groups telling all of them.

use std::{sync::Arc, time::Duration};

use anyhow::{Context, Result, ensure};
use chrono::{DurationRound, TimeDelta, Utc};
use poller::store::Writer;
use private_postgres::Durability;
use regulator::{Quantity, Reading};
use server::picture::Picture;
use sqlx::{Connection, PgConnection, PgPool};
use tokio::time::{Instant, sleep, timeout};
use tokio_util::sync::CancellationToken;

use crate::{
    fleet::{self, REGULATORS},
    process,
    report::{Table, verdict},
};

/// Two conditions are raised, return, and are raised again.
const STEPS: i64 = 2 * 3 * REGULATORS as i64;
const MOST: f64 = 5.0;
const PATIENCE: Duration = Duration::from_secs(300);

pub(crate) async fn run() -> Result<()> {
    let (_folder, cluster) = process::cluster(Durability::Full)?;
    let url = process::database(&cluster, "burst").await?;
    let pool = PgPool::connect(&url).await?;
    let ids = fleet::create(&mut *pool.acquire().await?, REGULATORS).await?;
    sqlx::query(
        "insert into threshold (condition, parameter, scope_kind, value)
         select c, p, 'fleet', 0 from unnest(array['voltage_range_a', 'voltage_range_b']) c,
             unnest(array['delay_s', 'return_delay_s']) p",
    )
    .execute(&pool)
    .await?;
    let stop = CancellationToken::new();
    let picture = Picture::new(Utc::now());
    let following = tokio::spawn(picture.clone().follow(pool.clone(), stop.clone()));
    let detecting = tokio::spawn(server::detection::run(pool.clone(), Arc::default(), stop.clone()));

    let mut writer = Writer::new(PgConnection::connect(&url).await?, "bench".to_owned(), Utc::now());
    let now = Utc::now().duration_trunc(TimeDelta::seconds(1))?;
    let at = |volts: f64, s: i64| {
        ids.iter().map(move |id| {
            (*id, fleet::reading(*id, now - TimeDelta::seconds(s), 0).with(Quantity::LoadVoltage, volts))
        })
    };
    // before anything is measured, every regulator is known and well
    let calm: Vec<(i32, Reading)> = at(120.0, 40).collect();
    writer.write(&calm, now - TimeDelta::seconds(35), &[]).await?;
    wait(&pool, 0, &picture, 0).await?;
    sleep(Duration::from_secs(2)).await;

    let burst: Vec<(i32, Reading)> = at(108.0, 30).chain(at(120.0, 20)).chain(at(108.0, 10)).collect();
    writer.write(&burst, now, &[]).await?;
    let written = Instant::now();
    let [recorded, shown] = wait(&pool, STEPS, &picture, 2 * REGULATORS as usize).await?;
    let grouped = Instant::now();
    let (lines, alarms) = server::bench::groups(&mut *pool.acquire().await?).await?;
    let grouping = grouped.elapsed().as_secs_f64();
    ensure!(alarms == 2 * REGULATORS as usize, "the groups tell of {alarms} alarms");
    stop.cancel();
    detecting.await?;
    following.await?;

    let title = format!("A burst of {STEPS} alarm transitions");
    let mut table = Table::new(&title, &["until", "time", "promise", ""]);
    let since = |at: Instant| (at - written).as_secs_f64();
    for (what, seconds) in [
        ("the last is recorded".to_owned(), since(recorded)),
        ("an open board shows every open alarm".to_owned(), since(shown)),
        (format!("and the list has them in {lines} groups"), since(shown) + grouping),
    ] {
        table.row([what, format!("{seconds:.2} s"), format!("under {MOST} s"), verdict(seconds < MOST)]);
    }
    table.print();
    Ok(())
}

/// When so many steps were recorded, and when the picture showed so many open alarms.
async fn wait(pool: &PgPool, steps: i64, picture: &Picture, open: usize) -> Result<[Instant; 2]> {
    let recording = async {
        loop {
            let count: i64 =
                sqlx::query_scalar("select count(*) from alarm_transition").fetch_one(pool).await?;
            if count >= steps {
                return anyhow::Ok(Instant::now());
            }
            sleep(Duration::from_millis(20)).await;
        }
    };
    let showing = async {
        let mut versions = picture.versions();
        loop {
            let shown: usize =
                picture.read(|fleet| fleet.units().iter().map(|u| u.row.live.alarms.len()).sum());
            if shown >= open {
                return anyhow::Ok(Instant::now());
            }
            versions.changed().await?;
        }
    };
    let (recorded, shown) = timeout(PATIENCE, async { tokio::join!(recording, showing) })
        .await
        .context("the burst has not arrived")?;
    Ok([recorded?, shown?])
}
