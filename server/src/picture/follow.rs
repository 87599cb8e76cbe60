//! Keeps the picture up to date: loads it, then follows the feed, round by round.

use std::{convert::Infallible, time::Duration};

use chrono::{TimeDelta, Utc};
use regulator::Timestamp;
use sqlx::{PgConnection, PgPool};
use tokio::time::{Instant, MissedTickBehavior, interval, sleep, timeout};
use tokio_util::sync::CancellationToken;

use super::{Fleet, Picture, alarms, day, flood, latest::latest, sources, today};
use crate::{
    feed::{self, Wakeups},
    inventory,
};

/// Readers see at most this many versions a second; more would be flicker.
const REDRAW: Duration = Duration::from_millis(500);
/// A round that takes longer has lost its database.
const PATIENCE: Duration = Duration::from_secs(5);
/// Loading everything may take longer.
const LOADING: Duration = Duration::from_secs(60);
/// How long to wait before asking a database again that did not answer.
const RETRY: Duration = Duration::from_secs(1);
/// Readings taken at once.
const ROUND: i64 = 5_000;
/// Late readings are counted as operations when the counts are loaded anew.
const RECOUNT: TimeDelta = TimeDelta::minutes(5);
/// Open alarms are looked at when readings arrive, but no more often than this.
const ALARMS: Duration = Duration::from_millis(400);

#[derive(Debug, thiserror::Error)]
enum Lost {
    #[error("the database did not answer within {0:?}")]
    Silent(Duration),
    #[error(transparent)]
    Failed(#[from] sqlx::Error),
}

impl Picture {
    /// Follows the feed until told to stop. While the database is away the picture stays as it was and says so.
    pub async fn follow(self, pool: PgPool, stop: CancellationToken) {
        let work = async { tokio::join!(self.redrawing(), self.reading(&pool)) };
        tokio::select! {
            _ = work => {}
            () = stop.cancelled() => {}
        }
    }

    async fn redrawing(&self) -> Infallible {
        let mut ticks = interval(REDRAW);
        ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            ticks.tick().await;
            self.publish(Utc::now());
        }
    }

    async fn reading(&self, pool: &PgPool) -> Infallible {
        loop {
            let Err(lost) = self.session(pool).await;
            tracing::warn!(error = %lost, "the picture has lost its database; the last known state is shown");
            self.write(|fleet| fleet.sources.unanswered(Utc::now()));
            sleep(RETRY).await;
        }
    }

    /// Loads everything and follows from there, until something fails.
    async fn session(&self, pool: &PgPool) -> Result<Infallible, Lost> {
        let mut wakeups = Wakeups::new(pool.clone());
        let mut round = Round::default();
        within(PATIENCE, wakeups.listen()).await?;
        within(LOADING, self.load(pool, &mut round)).await?;
        loop {
            let busy = within(PATIENCE, self.round(pool, &mut round)).await?;
            if !busy {
                wakeups.wait().await;
            }
        }
    }

    async fn load(&self, pool: &PgPool, round: &mut Round) -> sqlx::Result<()> {
        let mut connection = pool.acquire().await?;
        let now = Utc::now();
        // First the place in the feed: what is committed while the rest is read comes again, and does no harm.
        round.cursor = feed::last_id(&mut connection).await?;
        let inventory = inventory::load(&mut connection).await?;
        let mut next = Fleet::of(&inventory, now);
        let ids: Vec<i32> = inventory.regulators.keys().copied().collect();
        next.count_from(&counts(&mut connection, &inventory, now).await?);
        next.take(latest(&mut connection, &ids).await?);
        next.alarm(alarms::open(&mut connection).await?);
        next.told = flood::told(&mut connection, now).await?;
        let written = sources::last_written(&mut connection).await?;
        round.inventory = Some(inventory);
        round.counted_at = Some(now);
        self.write(|fleet| {
            let (epoch, version) = (fleet.epoch, fleet.version);
            let sources = std::mem::take(&mut fleet.sources);
            let banners = std::mem::take(&mut fleet.banners);
            let flood = fleet.flood.take();
            *fleet = next;
            (fleet.epoch, fleet.version) = (epoch, version);
            (fleet.sources, fleet.banners, fleet.flood) = (sources, banners, flood);
            for (poller, at) in written {
                fleet.sources.wrote(&poller, at);
            }
            fleet.sources.answered(Utc::now());
        });
        Ok(())
    }

    /// One look at the feed; tells whether there may be more at once.
    async fn round(&self, pool: &PgPool, round: &mut Round) -> sqlx::Result<bool> {
        let mut connection = pool.acquire().await?;
        let now = Utc::now();
        if round.version() != inventory::version(&mut connection).await? {
            drop(connection);
            self.load(pool, round).await?;
            return Ok(true);
        }
        let batches = feed::after(&mut connection, round.cursor, ROUND).await?;
        let readings = feed::of(&mut connection, &batches).await?;
        let counts = round.recount(&mut connection, now).await?;
        let open = if round.alarms_due() {
            let open = alarms::open(&mut connection).await?;
            Some((open, flood::told(&mut connection, now).await?))
        } else {
            None
        };
        round.cursor = batches.last().map_or(round.cursor, |b| b.id);
        let busy = !batches.is_empty();
        self.write(|fleet| {
            if let Some(counts) = counts {
                fleet.count_from(&counts);
            }
            fleet.take(readings.into_iter().flatten());
            for batch in &batches {
                fleet.sources.wrote(&batch.poller, batch.written_at);
            }
            if let Some((open, told)) = open {
                fleet.alarm(open);
                fleet.told = told;
            }
            fleet.sources.answered(now);
        });
        Ok(busy)
    }
}

/// What one session remembers between its rounds.
#[derive(Debug, Default)]
struct Round {
    cursor: i64,
    inventory: Option<inventory::Inventory>,
    counted_at: Option<Timestamp>,
    alarms_at: Option<Instant>,
}

impl Round {
    fn version(&self) -> i64 {
        self.inventory.as_ref().map_or(-1, |i| i.version)
    }

    fn alarms_due(&mut self) -> bool {
        let due = self.alarms_at.is_none_or(|at| at.elapsed() >= ALARMS);
        if due {
            self.alarms_at = Some(Instant::now());
        }
        due
    }

    async fn recount(
        &mut self,
        connection: &mut PgConnection,
        now: Timestamp,
    ) -> sqlx::Result<Option<std::collections::HashMap<i32, today::Today>>> {
        let Some(inventory) = &self.inventory else { return Ok(None) };
        if self.counted_at.is_some_and(|at| now - at < RECOUNT) {
            return Ok(None);
        }
        self.counted_at = Some(now);
        counts(connection, inventory, now).await.map(Some)
    }
}

async fn counts(
    connection: &mut PgConnection,
    inventory: &inventory::Inventory,
    now: Timestamp,
) -> sqlx::Result<std::collections::HashMap<i32, today::Today>> {
    let regulators: Vec<_> = inventory
        .regulators
        .values()
        .map(|r| (r.id, day::zone(&r.time_zone), r.nameplate.counter_modulus))
        .collect();
    today::load(connection, &regulators, now).await
}

async fn within<T>(limit: Duration, work: impl Future<Output = sqlx::Result<T>>) -> Result<T, Lost> {
    timeout(limit, work).await.map_err(|_| Lost::Silent(limit))?.map_err(Lost::Failed)
}

#[cfg(test)]
mod tests {
    use private_postgres::testing::TestDatabase;
    use regulator::{Quantity, Reading};

    use super::*;
    use crate::{
        feed::testing::{self, NewBatch},
        inventory::testing as inventory,
    };

    /// A batch that says it was written just now.
    fn fresh(at: Timestamp) -> NewBatch {
        NewBatch { written_at: at, watermark: at, session_started_at: at, ..testing::batch("p", 0) }
    }

    /// Waits until the picture is as wanted; for ever, as far as a busy machine goes.
    async fn until(picture: &Picture, wanted: impl Fn(&Fleet) -> bool) {
        let mut versions = picture.versions();
        let seen = async {
            while !picture.read(&wanted) {
                versions.changed().await.unwrap();
            }
        };
        timeout(Duration::from_secs(120), seen).await.expect("the picture becomes as wanted");
    }

    fn volts(fleet: &Fleet, id: i32) -> String {
        let unit = fleet.units().iter().find(|u| u.regulator.id == id);
        unit.map_or_else(String::new, |u| u.row.live.volts.text.clone())
    }

    #[tokio::test]
    async fn the_picture_begins_with_what_is_stored_and_follows_what_is_written() {
        let database = TestDatabase::new().await;
        let mut connection = database.pool.acquire().await.unwrap();
        let ids = inventory::fleet(&mut connection, 2).await;
        let now = Utc::now();
        let reading = |at, v| Reading::new(at).with(Quantity::LoadVoltage, v);
        let before = reading(now - TimeDelta::seconds(20), 119.0);
        testing::write(&mut connection, &fresh(now), &[(ids[0], before)]).await;

        let picture = Picture::new(now);
        let stop = CancellationToken::new();
        let task = tokio::spawn(picture.clone().follow(database.pool.clone(), stop.clone()));
        until(&picture, |f| volts(f, ids[0]) == "119.0\u{a0}V").await;
        assert_eq!(picture.read(|f| volts(f, ids[1])), "– none");

        let after = [(ids[0], reading(now, 120.0)), (ids[1], reading(now, 121.0))];
        testing::write(&mut connection, &fresh(now), &after).await;
        until(&picture, |f| volts(f, ids[0]) == "120.0\u{a0}V" && volts(f, ids[1]) == "121.0\u{a0}V").await;
        // an older reading that comes late is not the present state
        let late = reading(now - TimeDelta::seconds(10), 99.0);
        let newer = reading(now + TimeDelta::seconds(1), 122.0);
        testing::write(&mut connection, &fresh(now), &[(ids[0], late), (ids[1], newer)]).await;
        until(&picture, |f| volts(f, ids[1]) == "122.0\u{a0}V").await;
        assert_eq!(picture.read(|f| volts(f, ids[0])), "120.0\u{a0}V");

        stop.cancel();
        task.await.unwrap();
    }

    #[tokio::test]
    async fn an_open_alarm_shows_at_its_regulator_until_it_returns() {
        let database = TestDatabase::new().await;
        let mut connection = database.pool.acquire().await.unwrap();
        let ids = inventory::fleet(&mut connection, 1).await;
        let picture = Picture::new(Utc::now());
        let stop = CancellationToken::new();
        let task = tokio::spawn(picture.clone().follow(database.pool.clone(), stop.clone()));
        sqlx::query(
            "insert into alarm (condition, regulator_id, priority, raised_at, summary, evidence)
                values ('reverse_power', $1, 3, now(), 'power reversed', '[]')",
        )
        .bind(ids[0])
        .execute(&mut *connection)
        .await
        .unwrap();
        let alarms = |f: &Fleet| f.units().first().map_or(0, |u| u.row.live.alarms.len());
        until(&picture, |f| alarms(f) == 1).await;
        assert_eq!(picture.read(|f| f.units()[0].row.live.word), "High");
        sqlx::query("update alarm set returned_at = now()").execute(&mut *connection).await.unwrap();
        until(&picture, |f| alarms(f) == 0 && f.units().len() == 1).await;
        stop.cancel();
        task.await.unwrap();
    }

    #[tokio::test]
    async fn without_its_database_the_picture_stays_and_says_so() {
        let database = TestDatabase::new().await;
        let mut connection = database.pool.acquire().await.unwrap();
        let ids = inventory::fleet(&mut connection, 1).await;
        let now = Utc::now();
        let reading = Reading::new(now).with(Quantity::LoadVoltage, 119.0);
        testing::write(&mut connection, &fresh(now), &[(ids[0], reading)]).await;
        drop(connection);
        let picture = Picture::new(now);
        let stop = CancellationToken::new();
        let task = tokio::spawn(picture.clone().follow(database.pool.clone(), stop.clone()));
        until(&picture, |f| volts(f, ids[0]) == "119.0\u{a0}V" && f.banners.is_empty()).await;
        database.pool.close().await;
        until(&picture, |f| f.banners.iter().any(|b| b.what.starts_with("Database not reachable"))).await;
        assert_eq!(picture.read(|f| volts(f, ids[0])), "119.0\u{a0}V");
        stop.cancel();
        task.await.unwrap();
    }
}
