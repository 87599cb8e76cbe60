//! What goes on beside polling, each over a connection of its own: rollups, health, upkeep. When the database goes away each
//! tries again until it is back.

use std::{future::Future, time::Duration};

use chrono::Utc;
use sqlx::PgConnection;
use tokio::{task::JoinSet, time::sleep};
use tokio_util::sync::CancellationToken;

use crate::{
    metrics::Shared,
    store::{
        Target,
        deliver::{Backoff, connect},
        health,
        rollup::{Pass, Rollup},
        upkeep,
    },
};

/// How often the rollups look for new batches.
const ROLLUP: Duration = Duration::from_secs(2);
/// How often the health tables are written.
const HEALTH: Duration = Duration::from_secs(5);
/// How often partitions and retention are seen to.
const UPKEEP: Duration = Duration::from_secs(3600);
/// Upkeep that failed, say because a long query was in the way, is tried again after this.
const UPKEEP_AGAIN: Duration = Duration::from_secs(60);

/// Starts all of them; they end when `stop` is cancelled.
pub(super) fn start(target: &Target, counters: &Shared, stop: &CancellationToken) -> JoinSet<()> {
    let mut tasks = JoinSet::new();
    let (rollups, kept) = (target.clone(), target.clone());
    let (told, counters) = (target.clone(), counters.clone());
    tasks.spawn(until(stop, "rolling up", async move |backoff| roll_up(&rollups, backoff).await));
    tasks.spawn(until(stop, "writing health", async move |backoff| tell(&told, &counters, backoff).await));
    tasks.spawn(until(stop, "upkeep", async move |_| keep_up(&kept).await));
    tasks
}

/// Does `work`, which ends only by an error, again and again.
fn until<W>(stop: &CancellationToken, what: &'static str, mut work: W) -> impl Future<Output = ()> + use<W>
where
    W: AsyncFnMut(&mut Backoff) -> sqlx::Error,
{
    let stop = stop.clone();
    async move {
        let mut backoff = Backoff::new();
        let mut told = String::new();
        let for_ever = async {
            loop {
                let error = work(&mut backoff).await.to_string();
                if told != error {
                    tracing::warn!("{what}: {error}; trying again");
                    told = error;
                }
                backoff.wait().await;
            }
        };
        let _stopped: Option<()> = stop.run_until_cancelled(for_ever).await;
    }
}

async fn roll_up(target: &Target, backoff: &mut Backoff) -> sqlx::Error {
    let work = async {
        let mut rollup = Rollup::new(connect(&target.database_url).await?).await?;
        loop {
            let pass = rollup.pass().await?;
            *backoff = Backoff::new();
            if pass == Pass::Idle {
                sleep(ROLLUP).await;
            }
        }
    };
    ended(work.await)
}

async fn tell(target: &Target, counters: &Shared, backoff: &mut Backoff) -> sqlx::Error {
    let work = async {
        let mut connection = connect(&target.database_url).await?;
        loop {
            health::write(&mut connection, &target.poller, counters).await?;
            *backoff = Backoff::new();
            sleep(HEALTH).await;
        }
    };
    ended(work.await)
}

async fn keep_up(target: &Target) -> sqlx::Error {
    let work = async {
        loop {
            let mut connection: PgConnection = connect(&target.database_url).await?;
            let done = upkeep::run(&mut connection, Utc::now(), target.retention).await;
            if let Err(error) = &done {
                tracing::warn!("upkeep: {error}; trying again in a minute");
            }
            sleep(if done.is_ok() { UPKEEP } else { UPKEEP_AGAIN }).await;
        }
    };
    ended(work.await)
}

fn ended(result: sqlx::Result<std::convert::Infallible>) -> sqlx::Error {
    let Err(error) = result;
    error
}
