//! How fast readings are written beside a plain binary COPY of the same rows, and how fast they are rolled up.
//!
//! `cargo run --release -p poller --example store_speed` under `with-postgres`. Prints rows a second.

use std::time::Instant;

use anyhow::Result;
use chrono::{DateTime, TimeDelta, Utc};
use poller::store::{
    Writer, make_ahead,
    rollup::{Pass, Rollup},
};
use private_postgres::testing::TestDatabase;
use regulator::{Quantity, Reading};

const REGULATORS: i32 = 90;
const BATCH: usize = 20_000;
const BATCHES: usize = 25;

#[tokio::main]
async fn main() -> Result<()> {
    let database = TestDatabase::new().await;
    let every = TimeDelta::seconds(std::env::args().nth(1).map_or(Ok(60), |s| s.parse())?);
    let now = Utc::now();
    let rows = i32::try_from(BATCH * BATCHES)? / REGULATORS + 1;
    let start = now - every * rows;
    let mut all: Vec<(i32, Reading)> = Vec::new();
    for i in 0..rows {
        let at = start + every * i;
        all.extend((0..REGULATORS).map(|r| (50_001 + r, reading(at, i + r))));
    }
    let mut connection = database.pool.acquire().await?.detach();
    make_ahead(&mut connection, now).await?;
    let mut writer = Writer::new(connection, "speed".into(), now);
    // partitions first, and everything warm
    let ends: Vec<_> = all.iter().step_by(BATCH).map(|(r, x)| (r + 1000, x.clone())).collect();
    writer.write(&ends, now, &[]).await?;
    // Side by side, in turn: other work on the machine hits both.
    let (mut plain_s, mut writer_s) = (0.0, 0.0);
    for batch in all.chunks(BATCH).take(BATCHES) {
        let shifted: Vec<_> = batch.iter().map(|(r, x)| (r + 2000, x.clone())).collect();
        writer_s += {
            let begun = Instant::now();
            writer.write(batch, now, &[]).await?;
            begun.elapsed().as_secs_f64()
        };
        plain_s += {
            let mut connection = database.pool.acquire().await?;
            let rows = poller::store::encoded(&shifted);
            let begun = Instant::now();
            let mut copy = connection.copy_in_raw(poller::store::COPY_READING).await?;
            copy.send(rows).await?;
            copy.finish().await?;
            begun.elapsed().as_secs_f64()
        };
    }
    let rows = (BATCH * BATCHES) as f64;
    println!("plain copy {:>10.0} rows/s", rows / plain_s);
    println!("writer     {:>10.0} rows/s, {:.2} of plain", rows / writer_s, plain_s / writer_s);

    let mut rollup = Rollup::new(database.pool.acquire().await?.detach()).await?;
    let begun = Instant::now();
    let mut took = 0;
    while let Pass::Took(n) = rollup.pass().await? {
        took += n;
    }
    println!("rollup     {:>10.0} readings/s ({took})", took as f64 / begun.elapsed().as_secs_f64());
    Ok(())
}

fn reading(at: DateTime<Utc>, i: i32) -> Reading {
    let wave = f64::from(i % 97) / 10.0;
    let values = [
        118.0 + wave,
        120.0,
        80.0 + wave,
        500.0 + wave,
        120.0,
        0.97,
        f64::from(i % 9 - 4),
        f64::from(i),
        1.0,
        0.0,
    ];
    Quantity::ALL.iter().zip(values).fold(Reading::new(at), |reading, (&q, value)| reading.with(q, value))
}
