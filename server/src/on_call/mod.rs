//! Who is on call: the rotas as they are stored, and as every page's frame tells them.
//!
//! [`OnCall`] holds the rotas in memory. It looks into the database every 15 seconds, and at once after a change made here; when the database is away
//! it goes on with what it knows. The words are made when they can change (at each handover and each look), not for each page.

mod store;
#[cfg(test)]
mod tests;
mod words;

use std::{
    sync::{Arc, PoisonError, RwLock},
    time::Duration,
};

use chrono::{DateTime, Utc};
use sqlx::{PgConnection, PgPool};
use tokio_util::sync::CancellationToken;

pub use store::{AreaKind, Kept, Stored};
pub(crate) use store::{Named, all, find, names};
use words::said;
pub(crate) use words::{hour, line};

/// How often the rotas are read again.
const EVERY: Duration = Duration::from_secs(15);

/// A handle to what is known; cheap to clone.
#[derive(Debug, Clone, Default)]
pub struct OnCall {
    known: Arc<RwLock<Known>>,
}

#[derive(Debug, Default)]
struct Known {
    rotas: Vec<Stored>,
    names: std::collections::HashMap<i32, String>,
    told: Told,
    /// When the words change by themselves.
    until: Option<DateTime<Utc>>,
}

/// What frames tell; cheap to clone.
#[derive(Debug, Clone, Default)]
pub struct Told {
    /// Who is on call, area by area.
    pub(crate) on_call: Arc<Vec<web::frame::OnCall>>,
    /// Messages given up that nobody has dealt with.
    pub(crate) undelivered: u32,
}

impl OnCall {
    /// What to tell on a page.
    #[must_use]
    pub fn told(&self) -> Told {
        self.known.read().unwrap_or_else(PoisonError::into_inner).told.clone()
    }

    /// Reads the rotas again.
    ///
    /// # Errors
    /// When the database refuses; what was known stays.
    pub async fn refresh(&self, db: &mut PgConnection, now: DateTime<Utc>) -> sqlx::Result<()> {
        let rotas = all(db).await?;
        let names = names(db).await?.into_iter().map(|p| (p.id, p.name)).collect();
        let undelivered = store::undelivered(db).await?;
        let mut known = self.known.write().unwrap_or_else(PoisonError::into_inner);
        known.rotas = rotas;
        known.names = names;
        known.told.undelivered = undelivered;
        known.say(now);
        Ok(())
    }

    /// Reads the rotas again after a change made here. The change is stored whether that works or not; the next look comes by itself.
    pub(crate) async fn look_again(&self, db: &mut PgConnection) {
        if let Err(error) = self.refresh(db, Utc::now()).await {
            tracing::warn!(%error, "the rotas could not be read after a change; the next look is soon");
        }
    }

    /// Says again who is on call, of what is known.
    fn say(&self, now: DateTime<Utc>) -> Option<DateTime<Utc>> {
        let mut known = self.known.write().unwrap_or_else(PoisonError::into_inner);
        known.say(now);
        known.until
    }

    /// Keeps it up to date until stopped.
    pub(crate) async fn run(self, pool: PgPool, stop: CancellationToken) {
        let mut away = false;
        loop {
            let now = Utc::now();
            let read = async { self.refresh(&mut *pool.acquire().await?, now).await };
            match stop.run_until_cancelled(read).await {
                None => return,
                Some(Ok(())) => away = false,
                Some(Err(error)) if !away => {
                    tracing::warn!(%error, "the rotas could not be read; pages go on with those known");
                    away = true;
                }
                Some(Err(_)) => {}
            }
            let until = self.say(Utc::now());
            let change = until.and_then(|at| (at - Utc::now()).to_std().ok()).unwrap_or(EVERY);
            if stop.run_until_cancelled(tokio::time::sleep(EVERY.min(change))).await.is_none() {
                return;
            }
        }
    }
}

impl Known {
    fn say(&mut self, now: DateTime<Utc>) {
        let name = |id: i32| self.names.get(&id).cloned();
        let lines: Vec<_> = self.rotas.iter().map(|rota| said(rota, now, &name)).collect();
        self.until = lines.iter().filter_map(|line| line.until).min();
        self.told.on_call = Arc::new(lines.into_iter().map(|line| line.shown).collect());
    }
}
