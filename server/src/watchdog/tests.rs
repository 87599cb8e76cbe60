//! Parts that stop and go on, against a real database, with the time given.

use std::time::Duration;

use chrono::TimeDelta;
use private_postgres::testing::TestDatabase;
use regulator::Timestamp;
use sqlx::{Postgres, pool::PoolConnection};
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::TcpListener,
};

use super::{Heartbeat, Part, alive, heartbeat, parts};
use crate::{
    feed::testing::{at, batch, write},
    inventory::testing::fleet,
};

struct Story {
    _database: TestDatabase,
    db: PoolConnection<Postgres>,
    now: Timestamp,
}

impl Story {
    async fn new() -> Self {
        let database = TestDatabase::new().await;
        let mut db = database.pool.acquire().await.unwrap();
        fleet(&mut db, 1).await;
        Self { _database: database, db, now: at(0) }
    }

    async fn sql(&mut self, statement: &'static str) {
        sqlx::raw_sql(statement).execute(&mut *self.db).await.unwrap();
    }

    /// Every part gives a sign as of now.
    async fn all_run(&mut self) {
        for part in Part::ALL {
            sqlx::query(
                "insert into part_life values ($1, $2) on conflict (part) do update set at = excluded.at",
            )
            .bind(part.name())
            .bind(self.now)
            .execute(&mut *self.db)
            .await
            .unwrap();
        }
    }

    /// Looks every 5 s for so long; the parts run if `run`.
    async fn watch(&mut self, seconds: i64, run: bool) -> Vec<String> {
        for _ in 0..seconds / 5 {
            if run {
                self.all_run().await;
            }
            parts::look(&mut self.db, self.now).await.unwrap();
            self.now += TimeDelta::seconds(5);
        }
        sqlx::query_scalar("select condition || ' ' || process from alarm_point order by condition")
            .fetch_all(&mut *self.db)
            .await
            .unwrap()
    }
}

#[tokio::test]
async fn a_part_that_gives_no_sign_of_life_is_an_alarm_until_it_does_again() {
    let mut story = Story::new().await;
    assert!(story.watch(300, true).await.is_empty());
    let stopped = ["delivery_stopped unacknowledged", "detection_stopped unacknowledged"];
    assert_eq!(story.watch(900, false).await, stopped);
    assert_eq!(story.watch(30, true).await, ["delivery_stopped returned", "detection_stopped returned"]);
}

#[tokio::test]
async fn detection_that_runs_but_does_not_get_on_has_stopped() {
    let mut story = Story::new().await;
    for s in [0, 10, 20] {
        write(&mut story.db, &batch("p", s), &[]).await;
    }
    assert_eq!(story.watch(300, true).await, ["detection_stopped unacknowledged"]);
    let summary: String =
        sqlx::query_scalar("select summary from alarm").fetch_one(&mut *story.db).await.unwrap();
    assert_eq!(summary, "3 batches wait, none judged for 2 min");
    story
        .sql("insert into feed_cursor (follower, batch_id) select 'detection', max(id) from reading_batch")
        .await;
    assert_eq!(story.watch(60, true).await, ["detection_stopped returned"]);
}

#[tokio::test]
async fn a_heart_beats_while_all_is_well_and_stops_when_polling_does() {
    let mut story = Story::new().await;
    story.now = chrono::Utc::now();
    story.all_run().await;
    let ailment = heartbeat::ailment(&mut story.db, story.now).await.unwrap();
    assert_eq!(ailment.as_deref(), Some("no poller has written yet"));
    let fresh = crate::feed::testing::NewBatch { written_at: story.now, ..batch("p", 0) };
    write(&mut story.db, &fresh, &[]).await;
    assert_eq!(heartbeat::ailment(&mut story.db, story.now).await.unwrap(), None);

    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let url = format!("http://{}/beat/secret", listener.local_addr().unwrap());
    let target = Heartbeat::new(&url, Duration::from_secs(60)).unwrap();
    let mut beat = heartbeat::Beat::default();
    beat.beat(&target, &mut story.db, story.now).await.unwrap();
    let (mut stream, _) = listener.accept().await.unwrap();
    let mut asked = [0; 64];
    let n = stream.read(&mut asked).await.unwrap();
    assert!(asked[..n].starts_with(b"GET /beat/secret HTTP/1.1"));
    stream.write_all(b"HTTP/1.1 200 OK\r\ncontent-length: 0\r\n\r\n").await.unwrap();

    let later = story.now + TimeDelta::seconds(61);
    for part in Part::ALL {
        alive(&mut story.db, part).await.unwrap();
    }
    story.now = later;
    story.all_run().await;
    assert_eq!(heartbeat::ailment(&mut story.db, later).await.unwrap().as_deref(), Some("no poller writes"));
}

#[test]
fn a_heartbeat_needs_an_address_of_the_web() {
    assert!(Heartbeat::new("ftp://example.org/", Duration::from_secs(60)).is_err());
    assert!(Heartbeat::new("nonsense", Duration::from_secs(60)).is_err());
    assert!(Heartbeat::new("https://example.org/beat", Duration::from_secs(60)).is_ok());
}
