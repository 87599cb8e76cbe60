//! The whole poller role: an inventory, a device, a real database.
#![allow(clippy::unwrap_used, reason = "a test may")]

use std::time::Duration;

use chrono::{TimeDelta, Utc};
use poller::{Config, fleet};
use private_postgres::testing::TestDatabase;
use sqlx::PgPool;
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::{TcpListener, TcpStream},
    time::sleep,
};
use tokio_util::sync::CancellationToken;

const HEADER: &str = "substation,feeder,site,phase,kva,rated_current_a,rated_voltage_v,pt_ratio,ct_ratio,endpoint,unit,\
    profile,poll_interval_s,time_zone";

fn row(phase: &str, address: &str, unit: u8) -> String {
    format!(
        "\nS,F,Site,{phase},167,219,7620,63.5,1250,modbus-tcp://{address},{unit},single-float,0.2,America/Chicago"
    )
}

async fn import(pool: &PgPool, rows: &[String]) {
    let mut connection = pool.acquire().await.unwrap();
    let csv = format!("{HEADER}{}", rows.concat());
    fleet::import(&mut connection, "fleet.csv", csv, &fleet::ProfileSet::shipped()).await.unwrap();
}

/// A device whose registers all hold 1.
async fn device() -> String {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap().to_string();
    tokio::spawn(async move {
        while let Ok((stream, _)) = listener.accept().await {
            tokio::spawn(answer(stream));
        }
    });
    address
}

/// Modbus Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3: transaction, protocol 0, length, unit; then the request.
async fn answer(mut stream: TcpStream) -> std::io::Result<()> {
    loop {
        let mut request = [0; 12];
        stream.read_exact(&mut request).await?;
        let count = u16::from_be_bytes([request[10], request[11]]);
        let data = match request[7] {
            1 | 2 => vec![0xff; usize::from(count.div_ceil(8))],
            _ => [0, 1].repeat(usize::from(count)),
        };
        let length = u16::try_from(data.len() + 3).unwrap().to_be_bytes();
        let mut reply = request[..4].to_vec();
        reply.extend(length);
        reply.extend([request[6], request[7], u8::try_from(data.len()).unwrap()]);
        reply.extend(data);
        stream.write_all(&reply).await?;
    }
}

async fn until(what: &str, pool: &PgPool, query: &'static str) {
    for _ in 0..6000 {
        if sqlx::query_scalar::<_, bool>(query).fetch_one(pool).await.unwrap() {
            return;
        }
        sleep(Duration::from_millis(50)).await;
    }
    panic!("{what}: not within five minutes");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn polls_stores_rolls_up_tells_its_health_and_follows_the_inventory() {
    let database = TestDatabase::new().await;
    let pool = &database.pool;
    let device = device().await;
    // a port that was free a moment ago: nobody listens there
    let dead = TcpListener::bind("127.0.0.1:0").await.unwrap().local_addr().unwrap().to_string();
    import(pool, &[row("A", &device, 1), row("B", &dead, 1)]).await;
    let scrapes = TcpListener::bind("127.0.0.1:0").await.unwrap().local_addr().unwrap();
    let stop = CancellationToken::new();
    let config = Config { metrics_listen: Some(scrapes), ..Config::new(&database.url, "role") };
    let begun = Utc::now();
    let role = tokio::spawn(poller::run(config, stop.clone()));

    until("readings of A", pool, "select count(*) > 5 from reading").await;
    until(
        "the dead endpoint is in the feed",
        pool,
        "select exists (select from reading_batch, jsonb_array_elements(failing) f where f->>'error' <> '')",
    )
    .await;
    until(
        "minutes, hours and days",
        pool,
        "select exists (select from rollup_day join rollup_hour using (regulator_id))",
    )
    .await;
    until(
        "health",
        pool,
        "select exists (select from poller_health where poller = 'role' and polls > 0 and readings_written > 0)
            and exists (select from endpoint_health where last_success_at is not null and failing_since is null)
            and exists (select from endpoint_health where last_error_kind = 'connect' and failing_since is not null)",
    )
    .await;
    let mut scrape = TcpStream::connect(scrapes).await.unwrap();
    scrape.write_all(b"GET /metrics HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n").await.unwrap();
    let mut text = String::new();
    scrape.read_to_string(&mut text).await.unwrap();
    assert!(
        text.contains("application/openmetrics-text") && text.contains("tapkeeper_poller_polls_total"),
        "{text}"
    );

    // the dead one is mended, and one is added
    import(pool, &[row("A", &device, 1), row("B", &device, 2), row("C", &device, 3)]).await;
    until("readings of B and C", pool, "select count(distinct regulator_id) = 3 from reading").await;
    until(
        "nothing fails any more",
        pool,
        "select failing = '[]' from reading_batch order by id desc limit 1",
    )
    .await;

    stop.cancel();
    role.await.unwrap().unwrap();
    let session =
        sqlx::query!("select min(session_started_at) as start, max(watermark) as end from reading_batch");
    let session = session.fetch_one(pool).await.unwrap();
    assert!(session.start.unwrap() >= begun - TimeDelta::seconds(1));
    assert!(session.end.unwrap() <= Utc::now());
}

#[tokio::test]
async fn stops_while_it_waits_for_the_database() {
    let stop = CancellationToken::new();
    let role = tokio::spawn(poller::run(
        Config::new("postgres:///nothing?host=/nonexistent&user=nobody", "role"),
        stop.clone(),
    ));
    stop.cancel();
    role.await.unwrap().unwrap();
}
