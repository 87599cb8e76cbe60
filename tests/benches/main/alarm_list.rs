//! The list of alarms, narrowed in every way, over a million past ones.

use anyhow::Result;
use private_postgres::Durability;
use sqlx::{Connection, PgConnection};

use crate::{
    process,
    report::{Table, quantile, verdict},
};

const ROUNDS: usize = 5;
const MOST_MS: f64 = 100.0;
/// Each part of the filter alone and together, found and in vain.
const QUERIES: &[&str] = &[
    "",
    "state=returned",
    "state=shelved",
    "state=past",
    "state=all",
    "state=past&place=nowhere",
    "state=past&place=pole+17+A",
    "state=past&place=substation",
    "state=all&place=substation+3&condition=reverse_power",
    "state=past&place=modbus",
    "state=past&condition=wear_limit",
    "state=past&condition=reverse_power&priority=low",
    "state=past&priority=critical",
    "state=past&place=substation&priority=critical",
    "state=past&place=substation&condition=wear_limit",
    "state=past&from=2020-01-01&to=2020-12-31",
    "state=past&to=2026-03-01&place=pole+5&condition=tap_limit",
    "state=past&place=pole+17+A&priority=low",
];

pub(crate) async fn run() -> Result<()> {
    let (_folder, cluster) = process::cluster(Durability::None)?;
    let mut db = PgConnection::connect(&process::database(&cluster, "alarm_list").await?).await?;
    server::bench::million_alarms(&mut db).await?;
    let count: i64 = sqlx::query_scalar("select count(*) from alarm").fetch_one(&mut db).await?;
    let title = format!(
        "The list of alarms over {count} past ones (medians of {ROUNDS}; promise: any filter under {MOST_MS} ms)"
    );
    let mut table = Table::new(&title, &["filter", "time", "page", ""]);
    for query in QUERIES {
        let (mut times, mut size) = (vec![], 0);
        for _ in 0..ROUNDS {
            let (took, bytes) = server::bench::alarm_list(&mut db, query).await?;
            times.push(took.as_secs_f64() * 1e3);
            size = bytes;
        }
        let took = quantile(&times, 0.5);
        let name = if query.is_empty() { "none: what is open" } else { query };
        table.row([
            name.into(),
            format!("{took:.1} ms"),
            format!("{} kB", size / 1000),
            verdict(took < MOST_MS),
        ]);
    }
    table.print();
    Ok(())
}
