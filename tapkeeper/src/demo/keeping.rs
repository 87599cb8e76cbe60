//! The simulated fleet's state between two starts, in a file of the data folder.

use std::{
    fs,
    path::PathBuf,
    sync::{Mutex, PoisonError},
    time::Duration,
};

use anyhow::{Context, Result};
use chrono::{DateTime, Utc};
use simulator::Fleet;
use tokio_util::sync::CancellationToken;

const EVERY: Duration = Duration::from_secs(60);

/// Where the state is kept.
#[derive(Debug, Clone)]
pub(crate) struct Keeping {
    file: PathBuf,
}

impl Keeping {
    /// Keeps it in this file.
    pub(crate) const fn new(file: PathBuf) -> Self {
        Self { file }
    }

    /// The fleet as it was last kept, or a new one as it stood at `start`.
    pub(crate) fn load(&self, seed: u64, start: DateTime<Utc>) -> Result<Fleet> {
        if !self.file.exists() {
            return Ok(Fleet::new(seed, start));
        }
        let name = self.file.display();
        let text = fs::read_to_string(&self.file).with_context(|| format!("reading {name}"))?;
        let snapshot = serde_json::from_str(&text)
            .with_context(|| format!("{name} is damaged; delete the demo's data folder to begin anew"))?;
        Fleet::restore(snapshot).with_context(|| {
            format!("{name} is of another version; delete the demo's data folder to begin anew")
        })
    }

    /// Keeps the fleet as it is now; a crash while doing so leaves the earlier state.
    pub(crate) fn save(&self, fleet: &Fleet) -> Result<()> {
        let new = self.file.with_extension("new");
        fs::write(&new, serde_json::to_vec(&fleet.snapshot())?)
            .with_context(|| format!("writing {}", new.display()))?;
        fs::rename(&new, &self.file).with_context(|| format!("replacing {}", self.file.display()))
    }

    /// Keeps the running fleet every minute, and once more when stopped.
    pub(crate) async fn keep(&self, fleet: &Mutex<Fleet>, stop: &CancellationToken) -> Result<()> {
        loop {
            let stopped = stop.run_until_cancelled(tokio::time::sleep(EVERY)).await.is_none();
            self.save(&fleet.lock().unwrap_or_else(PoisonError::into_inner))?;
            if stopped {
                return Ok(());
            }
        }
    }
}
