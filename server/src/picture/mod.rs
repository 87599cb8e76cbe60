//! The fleet as it is now, in memory: what the board shows and live updates carry.
//!
//! [`Picture::follow`] loads it once and then follows the feed; pages read it through [`Picture::read`] and never wait for
//! the database. While the database or the pollers are away the picture stays, grows old, and says so.

mod alarms;
pub(crate) mod day;
mod fleet;
mod flood;
mod follow;
mod latest;
mod sources;
#[doc(hidden)]
pub mod synthetic;
mod today;
mod unit;

use std::sync::{Arc, PoisonError, RwLock};

use regulator::Timestamp;
use tokio::sync::watch;

pub use alarms::OpenAlarm;
pub use day::Day;
pub use fleet::Fleet;
pub use latest::latest;
pub use unit::Unit;

/// A handle to the picture; cheap to clone.
#[derive(Debug, Clone)]
pub struct Picture {
    inner: Arc<Inner>,
}

#[derive(Debug)]
struct Inner {
    // Held for well under a millisecond at a time and never across an await, so a plain lock serves best.
    fleet: RwLock<Fleet>,
    version: watch::Sender<u64>,
}

impl Picture {
    /// A picture of nothing, until [`Picture::follow`] runs.
    #[must_use]
    pub fn new(now: Timestamp) -> Self {
        let fleet = RwLock::new(Fleet::empty(now));
        Self { inner: Arc::new(Inner { fleet, version: watch::Sender::new(0) }) }
    }

    /// Looks at the fleet.
    pub fn read<T>(&self, look: impl FnOnce(&Fleet) -> T) -> T {
        look(&self.inner.fleet.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// Changes the fleet; readers see the change with the next [`Picture::publish`].
    fn write<T>(&self, change: impl FnOnce(&mut Fleet) -> T) -> T {
        change(&mut self.inner.fleet.write().unwrap_or_else(PoisonError::into_inner))
    }

    /// Redraws what has changed or grown old by `now` and wakes those who follow.
    pub(crate) fn publish(&self, now: Timestamp) {
        if let Some(version) = self.write(|fleet| fleet.redraw(now)) {
            self.inner.version.send_replace(version);
        }
    }

    /// Replaces the whole fleet, for benches and tests.
    #[doc(hidden)]
    pub fn replace(&self, fleet: Fleet, now: Timestamp) {
        self.write(|present| *present = fleet);
        self.publish(now);
    }

    /// Takes readings in, for benches and tests.
    #[doc(hidden)]
    pub fn take(&self, readings: impl IntoIterator<Item = crate::feed::BatchReading>) {
        self.write(|fleet| fleet.take(readings));
    }

    /// How many follow the picture now.
    #[must_use]
    pub fn followers(&self) -> usize {
        self.inner.version.receiver_count()
    }

    /// Tells each new version of the picture; a slow follower sees only the newest.
    #[must_use]
    pub fn versions(&self) -> watch::Receiver<u64> {
        self.inner.version.subscribe()
    }
}
