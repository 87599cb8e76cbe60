//! How long pages take: the board of 2,000 regulators, and trends of one regulator.
//!
//! The day's trend is of readings that lie in order of arrival among those of 299 others, as they do in a live database; psql
//! fetches the same rows beside it. The cache is warm for both. The year's trend comes from the day rollups.

use std::{process::Stdio, time::Duration};

use anyhow::{Context, Result, ensure};
use chrono::{DateTime, TimeDelta, Utc};
use private_postgres::Durability;
use sqlx::{Connection, PgConnection};
use system_tests::free_port;
use tokio::{io::AsyncWriteExt, process::Command, time::Instant};

use crate::{
    fleet::{self, REGULATORS},
    process,
    report::{Table, quantile, verdict},
};

const NEIGHBOURS: u32 = 300;
const ROUNDS: usize = 10;
const BOARD_MS: f64 = 50.0;
const DAY_RATIO: f64 = 3.0;
const YEAR_MS: f64 = 100.0;

pub(crate) async fn run() -> Result<()> {
    let (_folder, cluster) = process::cluster(Durability::None)?;
    let mut table = Table::new("Pages (medians)", &["what", "time", "beside", "promise", ""]);
    board(&mut table, &process::database(&cluster, "board").await?).await?;
    let url = process::database(&cluster, "trends").await?;
    let mut db = PgConnection::connect(&url).await?;
    let ids = fleet::create(&mut db, NEIGHBOURS).await?;
    let regulator = *ids.get(ids.len() / 2).context("a fleet")?;
    let start = fill(&mut db).await?;
    day(&mut table, &mut db, &url, regulator, start).await?;
    year(&mut table, &mut db, regulator).await?;
    table.print();
    Ok(())
}

fn ms(time: Duration) -> f64 {
    time.as_secs_f64() * 1e3
}

fn median(times: &[f64]) -> f64 {
    quantile(times, 0.5)
}

async fn board(table: &mut Table, url: &str) -> Result<()> {
    let (times, size) = server::bench::board(i32::try_from(REGULATORS)?, 30);
    let times: Vec<f64> = times.into_iter().map(ms).collect();
    let took = median(&times);
    table.row([
        "board of 2,000 regulators, rendered".into(),
        format!("{took:.1} ms"),
        format!("{:.2} MB; 99 %: {:.1} ms", mb(size)?, quantile(&times, 0.99)),
        format!("under {BOARD_MS} ms"),
        verdict(took < BOARD_MS),
    ]);
    let (times, size) = board_over_http(url).await?;
    table.row([
        "the same, asked of `tapkeeper serve` over HTTP".into(),
        format!("{:.1} ms", median(&times)),
        format!("{:.2} MB; 99 %: {:.1} ms", mb(size)?, quantile(&times, 0.99)),
        String::new(),
        String::new(),
    ]);
    Ok(())
}

fn mb(bytes: usize) -> Result<f64> {
    Ok(f64::from(u32::try_from(bytes)?) / 1e6)
}

/// The board's page of a fleet with a reading each, request by request.
async fn board_over_http(url: &str) -> Result<(Vec<f64>, usize)> {
    let mut db = PgConnection::connect(url).await?;
    let ids = fleet::create(&mut db, REGULATORS).await?;
    let now = Utc::now();
    let mut writer = poller::store::Writer::new(PgConnection::connect(url).await?, "bench".to_owned(), now);
    writer.write(&fleet::readings(&ids, now, TimeDelta::zero(), 1), now, &[]).await?;
    sqlx::raw_sql(
        "insert into person (id, email, name, role) values (1, 'bench@example.org', 'Bench', 'view');
         insert into session (token_hash, person_id, csrf_token, by_link, expires_at)
         values (sha256('bench'), 1, 'bench', false, now() + interval '1 hour')",
    )
    .execute(&mut db)
    .await?;
    let port = free_port();
    let listen = format!("127.0.0.1:{port}");
    let args = ["serve", "--listen", &listen, "--public-url", &format!("http://{listen}")];
    let _server = process::tapkeeper(&args, url)?;
    let patience = Instant::now() + Duration::from_secs(20);
    let cookie = "tapkeeper=bench";
    let mut times = vec![];
    let mut size = 0;
    while times.len() < 30 {
        let begun = Instant::now();
        match process::fetch(port, "/", cookie).await {
            // it has read the fleet by then
            Ok(page) if page.len() > 500_000 => {
                times.push(ms(begun.elapsed()));
                size = page.len();
            }
            other => {
                ensure!(Instant::now() < patience, "no board: {:?}", other.map(|page| page.len()));
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
        }
    }
    Ok((times, size))
}

/// A day of readings of the whole fleet, every 10 s, in order of arrival; and a year of day rollups. Returns the day's start.
async fn fill(db: &mut PgConnection) -> Result<DateTime<Utc>> {
    let start: DateTime<Utc> =
        sqlx::query_scalar("select date_trunc('day', now(), 'UTC') - interval '1 day'")
            .fetch_one(&mut *db)
            .await?;
    sqlx::raw_sql(
        "select make_reading_partitions(current_date - 2, current_date + 1);
         insert into reading (regulator_id, measured_at, load_voltage, source_voltage, current, real_power, reactive_power,
             power_factor, tap, operations, automatic, set_voltage, bandwidth, time_delay, quality)
         select r.id, t + r.id % 10 * interval '1 s', 119.5 + (r.id * 7 + n * 13) % 100 / 100.0, 118.2, 80 + n % 20, 550 + n % 90,
             120, 0.97, 3 + n / 360 % 3, 10000 + n / 360, true, 120, 2, 30,
             '\\x0101010101010101010000000101'::bytea
         from (select n, date_trunc('day', now(), 'UTC') - interval '1 day' + n * interval '10 s' as t
               from generate_series(0, 8639) n) every, regulator r
         order by t, r.id;
         insert into rollup_day
         select r.id, t, 8640, 8640, 118, 122, 8640 * 120.0, 8640, 117, 121, 8640 * 119.0, 8640, 50, 110, 8640 * 80.0,
             8640, 300, 700, 8640 * 550.0, 8640, 90, 150, 8640 * 120.0, -4, 9, 2, 3,
             20 * n, t + interval '5 s', 20 * n + 19, t + interval '86395 s', 19
         from (select n, date_trunc('day', now(), 'UTC') - (365 - n) * interval '1 day' as t from generate_series(0, 364) n) every,
             regulator r order by t, r.id",
    )
    .execute(&mut *db)
    .await?;
    // what the database does by itself before the day is over
    sqlx::raw_sql("vacuum analyze reading").execute(&mut *db).await?;
    sqlx::raw_sql("vacuum analyze rollup_day").execute(db).await?;
    Ok(start)
}

async fn day(
    table: &mut Table,
    db: &mut PgConnection,
    url: &str,
    regulator: i32,
    start: DateTime<Utc>,
) -> Result<()> {
    let (mut ours, mut psql, mut ratios) = (vec![], vec![], vec![]);
    let past = start + TimeDelta::days(1);
    for _ in 0..ROUNDS {
        let theirs = psql_times(url, regulator, start, past).await?;
        let mut mine = vec![];
        for _ in 0..4 {
            let (took, points) = server::bench::trend(db, regulator, start, past).await?;
            ensure!(points == 8640, "{points} points in a day");
            mine.push(ms(took));
        }
        ratios.push(median(&mine) / median(&theirs));
        ours.extend(mine);
        psql.extend(theirs);
    }
    let ratio = median(&ratios);
    table.row([
        "a day's trend of one regulator, 8,640 readings".into(),
        format!("{:.1} ms", median(&ours)),
        format!("psql {:.1} ms, ratio {ratio:.2}", median(&psql)),
        format!("at most {DAY_RATIO} x psql"),
        verdict(ratio <= DAY_RATIO),
    ]);
    Ok(())
}

/// What psql's own clock says of fetching the same columns of the same rows; the first time is left out.
async fn psql_times(url: &str, regulator: i32, from: DateTime<Utc>, past: DateTime<Utc>) -> Result<Vec<f64>> {
    let select = format!(
        "select measured_at, load_voltage, current, real_power, tap, quality from reading where regulator_id = {regulator}
         and measured_at >= '{}' and measured_at < '{}' order by measured_at;\n",
        from.to_rfc3339(),
        past.to_rfc3339()
    );
    let script = format!("\\timing on\n\\o /dev/null\n{}", select.repeat(5));
    let mut psql = Command::new("psql")
        .args(["-X", "-q", url])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .kill_on_drop(true)
        .spawn()
        .context("starting psql")?;
    let mut stdin = psql.stdin.take().context("psql's input")?;
    stdin.write_all(script.as_bytes()).await?;
    drop(stdin);
    let said = psql.wait_with_output().await?;
    let said = String::from_utf8(said.stdout)?;
    let times: Vec<f64> = said
        .lines()
        .filter_map(|line| line.strip_prefix("Time: ")?.split(' ').next()?.parse().ok())
        .collect();
    ensure!(times.len() == 5, "psql said {said}");
    Ok(times[1..].to_vec())
}

async fn year(table: &mut Table, db: &mut PgConnection, regulator: i32) -> Result<()> {
    let now = Utc::now();
    let mut times = vec![];
    for _ in 0..2 * ROUNDS {
        let (took, points) = server::bench::trend(db, regulator, now - TimeDelta::days(365), now).await?;
        ensure!(points >= 364, "{points} points in a year");
        times.push(ms(took));
    }
    table.row([
        "a year's trend, from rollups of days".into(),
        format!("{:.1} ms", median(&times)),
        format!("99 %: {:.1} ms", quantile(&times, 0.99)),
        format!("under {YEAR_MS} ms"),
        verdict(median(&times) < YEAR_MS),
    ]);
    Ok(())
}
