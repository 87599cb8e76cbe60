//! One study at a time: replays take a whole core, and the readings of a month some memory.

use std::sync::Arc;

use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// How many may wait beside the one that is computed.
const WAITING: usize = 3;

/// Where studies queue.
#[derive(Debug)]
pub(crate) struct Desk {
    places: Arc<Semaphore>,
    desk: Arc<Semaphore>,
}

/// The right to compute; to be kept until the computing has ended.
#[derive(Debug)]
pub(crate) struct Turn(#[expect(dead_code, reason = "held, not used")] [OwnedSemaphorePermit; 2]);

impl Default for Desk {
    fn default() -> Self {
        Self { places: Arc::new(Semaphore::new(WAITING + 1)), desk: Arc::new(Semaphore::new(1)) }
    }
}

impl Desk {
    /// Waits for a turn; nothing where too many wait already.
    pub(crate) async fn turn(&self) -> Option<Turn> {
        let place = Arc::clone(&self.places).try_acquire_owned().ok()?;
        let desk = Arc::clone(&self.desk).acquire_owned().await.ok()?;
        Some(Turn([place, desk]))
    }

    /// Whether another may wait.
    #[cfg(test)]
    pub(crate) fn has_room(&self) -> bool {
        self.places.available_permits() > 0
    }
}
