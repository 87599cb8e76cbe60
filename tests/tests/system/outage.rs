//! The database goes away under load and comes back.

use std::{fs, os::unix::fs::PermissionsExt, time::Duration};

use private_postgres::{Cluster, Durability};
use sqlx::{Connection, PgConnection, postgres::PgPoolOptions};
use system_tests::{Inventory, Peer, Role, free_port, get, metrics, until, until_equal};

use crate::readings::assert_all_there_once;

/// How long the database is away: long enough to hurt, short enough for every test run.
fn outage() -> Duration {
    let seconds = std::env::var("TAPKEEPER_TEST_OUTAGE_SECONDS").map_or(8, |s| s.parse().unwrap());
    Duration::from_secs(seconds)
}

#[tokio::test]
async fn nothing_read_while_the_database_is_away_is_lost() {
    let folder = tempfile::Builder::new().prefix("tapkeeper-outage-").tempdir().unwrap();
    fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755)).unwrap();
    let cluster = Cluster::start(&folder.path().join("db"), Durability::None).unwrap();
    let url = cluster.database("fleet").unwrap();
    migrations::MIGRATOR.run(&mut PgConnection::connect(&url).await.unwrap()).await.unwrap();

    let controls: Vec<Peer> = (0..3).map(|_| Peer::start("control.py", &["plain"])).collect();
    let mut inventory = Inventory::default();
    inventory.poll_interval_s = 0.1;
    controls.iter().for_each(|c| inventory.control(c.port));
    inventory.import(&url).unwrap();
    let environment = [("DATABASE_URL", url.as_str())];
    let port = free_port();
    let listen = format!("127.0.0.1:{port}");
    let poller = Role::start(&["poll", "--name", "north"], &environment);
    let server = Role::start(
        &["serve", "--listen", &listen, "--public-url", &format!("http://{listen}")],
        &environment,
    );
    let patience = Duration::from_secs(30);
    until("the poller polls", patience, async || (controls[0].told().len() > 30).then_some(())).await;
    until_equal("the server is well", patience, &Some(200), async || get(port, "/healthz").await).await;

    cluster.stop().unwrap();
    let before = controls[0].told().len();
    until_equal("the server says that the database is away", patience, &Some(503), async || {
        get(port, "/healthz").await
    })
    .await;
    tokio::time::sleep(outage()).await;
    assert!(controls[0].told().len() > before + 30, "polling goes on meanwhile");
    cluster.restart(Durability::None).unwrap();

    until_equal("the server is well again", patience, &Some(200), async || get(port, "/healthz").await).await;
    let back = controls[0].told().len();
    until("polling goes on", patience, async || (controls[0].told().len() > back + 30).then_some(())).await;
    poller.stop();
    let pool = PgPoolOptions::new().max_connections(2).connect(&url).await.unwrap();
    for control in &controls {
        assert_all_there_once(&pool, control.port, &control.told()).await;
    }
    let last: i64 = sqlx::query_scalar("select max(id) from reading_batch").fetch_one(&pool).await.unwrap();
    until_equal("detection has caught up", patience, &last, async || {
        sqlx::query_scalar("select batch_id from feed_cursor where follower = 'detection'")
            .fetch_one(&pool)
            .await
            .unwrap()
    })
    .await;
    let counted = tokio::task::spawn_blocking(move || metrics(port)).await.unwrap();
    assert!(!counted.as_object().unwrap().is_empty(), "an independent parser takes the server's metrics");
    server.stop();
    pool.close().await;
}
