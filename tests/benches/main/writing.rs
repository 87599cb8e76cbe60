//! Readings written a second, beside a plain binary COPY of the same rows into the same table.
//!
//! Ours writes each batch with its entry in the feed; the plain one sends bytes that PostgreSQL itself made of the same
//! rows (COPY TO), so it pays nothing for encoding. Both commit once a batch, in turn, in two databases of one cluster.

use std::time::Instant;

use anyhow::Result;
use chrono::{TimeDelta, Utc};
use futures_util::TryStreamExt;
use poller::store::Writer;
use private_postgres::{Cluster, Durability};
use sqlx::{Connection, PgConnection};

use crate::{
    fleet::{self, REGULATORS},
    process,
    report::{Table, quantile, verdict},
};

const BATCHES: i32 = 40;
const PROMISED: f64 = 0.8;

pub(crate) async fn run() -> Result<()> {
    let (_folder, cluster) = process::cluster(Durability::Full)?;
    let mut table = Table::new(
        "Readings written a second, beside a plain binary COPY of the same rows (promise: at least 0.8)",
        &["rows a batch", "ours", "plain COPY", "ratio, median", "promise"],
    );
    for instants in [1, 5] {
        let (ours, plain, ratio) = compare(&cluster, instants).await?;
        table.row([
            (instants * i32::try_from(REGULATORS)?).to_string(),
            format!("{ours:.0}/s"),
            format!("{plain:.0}/s"),
            format!("{ratio:.2}"),
            verdict(ratio >= PROMISED),
        ]);
    }
    table.print();
    Ok(())
}

async fn compare(cluster: &Cluster, instants: i32) -> Result<(f64, f64, f64)> {
    let ours = process::database(cluster, &format!("ours_{instants}")).await?;
    let plain = process::database(cluster, &format!("plain_{instants}")).await?;
    let mut reader = PgConnection::connect(&ours).await?;
    let ids = fleet::create(&mut reader, REGULATORS).await?;
    let mut plain = PgConnection::connect(&plain).await?;
    let start = Utc::now() - TimeDelta::hours(12);
    let mut writer = Writer::new(PgConnection::connect(&ours).await?, "bench".to_owned(), start);
    sqlx::query("select make_reading_partitions(current_date - 2, current_date + 2)")
        .execute(&mut plain)
        .await?;
    let (mut our_rates, mut plain_rates, mut ratios) = (vec![], vec![], vec![]);
    for batch in 0..BATCHES {
        let from = start + TimeDelta::seconds(10) * (batch * instants);
        let readings = fleet::readings(&ids, from, TimeDelta::seconds(10), instants);
        let to = from + TimeDelta::seconds(10) * instants;
        let rows = readings.len() as f64;
        let begun = Instant::now();
        writer.write(&readings, to, &[]).await?;
        let our_rate = rows / begun.elapsed().as_secs_f64();
        let bytes = dump(&mut reader, from, to).await?;
        let begun = Instant::now();
        let mut copy = plain.copy_in_raw("copy reading from stdin (format binary)").await?;
        copy.send(bytes).await?;
        copy.finish().await?;
        let plain_rate = rows / begun.elapsed().as_secs_f64();
        // the first batches pay for cold caches
        if batch >= 5 {
            our_rates.push(our_rate);
            plain_rates.push(plain_rate);
            ratios.push(our_rate / plain_rate);
        }
    }
    Ok((quantile(&our_rates, 0.5), quantile(&plain_rates, 0.5), quantile(&ratios, 0.5)))
}

/// The rows of one batch as PostgreSQL writes them, in the order in which they were stored.
async fn dump(
    db: &mut PgConnection,
    from: chrono::DateTime<Utc>,
    to: chrono::DateTime<Utc>,
) -> Result<Vec<u8>> {
    let select = format!(
        "copy (select * from reading where measured_at >= '{}' and measured_at < '{}' order by tableoid, ctid) to stdout (format binary)",
        from.to_rfc3339(),
        to.to_rfc3339()
    );
    let mut stream = db.copy_out_raw(&select).await?;
    let mut bytes = Vec::new();
    while let Some(chunk) = stream.try_next().await? {
        bytes.extend_from_slice(&chunk);
    }
    Ok(bytes)
}
