//! When to look at the feed: at once when a poller says that it has written, and each second anyway.

use std::time::Duration;

use sqlx::{PgPool, postgres::PgListener};

/// The channel on which a poller notifies in the transaction that writes a batch.
pub const CHANNEL: &str = "reading_batch";

/// How long a follower sleeps at most: a notification can be lost with its connection.
const LONGEST_SLEEP: Duration = Duration::from_secs(1);

/// Wakes a follower of the feed.
#[derive(Debug)]
pub struct Wakeups {
    pool: PgPool,
    listener: Option<PgListener>,
}

impl Wakeups {
    /// Listens from the first [`Wakeups::wait`] on.
    #[must_use]
    pub const fn new(pool: PgPool) -> Self {
        Self { pool, listener: None }
    }

    /// Starts listening. A follower that listens before its first look at the feed misses nothing.
    ///
    /// # Errors
    /// When the database cannot be reached.
    pub async fn listen(&mut self) -> sqlx::Result<()> {
        if self.listener.is_none() {
            let mut listener = PgListener::connect_with(&self.pool).await?;
            listener.listen(CHANNEL).await?;
            self.listener = Some(listener);
        }
        Ok(())
    }

    /// Returns when a batch was written since the last call, or after a second. Notifications that wait already are taken
    /// together. Never fails: while the database is away this is a plain timer.
    pub async fn wait(&mut self) {
        match tokio::time::timeout(LONGEST_SLEEP, self.notified()).await {
            Ok(Some(())) | Err(_) => {}
            Ok(None) => {
                self.listener = None;
                tokio::time::sleep(LONGEST_SLEEP).await;
            }
        }
    }

    /// Waits for a notification however long it takes; nothing when the database cannot be reached.
    async fn notified(&mut self) -> Option<()> {
        self.listen().await.ok()?;
        let listener = self.listener.as_mut()?;
        // `None` inside: the connection was lost, and the listener has made itself a new one.
        listener.try_recv().await.ok()?;
        while listener.next_buffered().is_some() {}
        Some(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::feed::testing;
    use private_postgres::testing::TestDatabase;

    #[tokio::test]
    async fn a_written_batch_wakes_the_follower() {
        let database = TestDatabase::new().await;
        let mut wakeups = Wakeups::new(database.pool.clone());
        wakeups.listen().await.unwrap();
        let mut connection = database.pool.acquire().await.unwrap();
        testing::write(&mut connection, &testing::batch("p", 10), &[]).await;
        assert_eq!(wakeups.notified().await, Some(()));
    }
}
