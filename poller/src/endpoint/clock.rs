//! The time that readings carry: the wall clock's, kept from jumping.
//!
//! A wall clock can be set, corrected, or wrong for a moment. Readings of one regulator must never go back in time, and one
//! wrong second must not put a reading years ahead. So the wall clock is held against the monotonic one.

use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use chrono::{SubsecRound as _, TimeDelta, Utc};
use regulator::Timestamp;
use tokio::time::Instant;

/// Difference between the two clocks that is ordinary correction, followed at once.
const TOLERANCE: TimeDelta = TimeDelta::milliseconds(500);
/// How long a jump forward must last before it is believed.
const BELIEVED_AFTER: Duration = Duration::from_secs(10);

/// A clock that follows the wall clock but never runs backward.
///
/// - Corrections up to half a second are followed at once.
/// - A jump forward is believed when it has lasted ten seconds; until then time runs on as before.
/// - After a jump backward time runs at half speed until the wall clock has caught up.
#[allow(missing_debug_implementations, reason = "holds a function")]
pub struct Clock {
    wall: Box<dyn Fn() -> Timestamp + Send + Sync>,
    state: Mutex<State>,
}

#[derive(Debug, Clone, Copy)]
struct State {
    /// The moment of the last look at the clock, and the time told then.
    looked: Instant,
    told: Timestamp,
    /// Since when the wall clock has been ahead.
    ahead_since: Option<Instant>,
}

impl Clock {
    /// Follows the system's clock.
    #[must_use]
    pub fn system() -> Self {
        Self::following(Utc::now)
    }

    /// Follows another wall clock.
    #[must_use]
    pub fn following(wall: impl Fn() -> Timestamp + Send + Sync + 'static) -> Self {
        let state = State { looked: Instant::now(), told: wall(), ahead_since: None };
        Self { wall: Box::new(wall), state: Mutex::new(state) }
    }

    /// The time, to the millisecond.
    #[must_use]
    pub fn now(&self) -> Timestamp {
        let (now, wall) = (Instant::now(), (self.wall)());
        // nothing that holds the lock can panic half-way
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        *state = state.look(now, wall);
        state.told.trunc_subsecs(3)
    }
}

impl State {
    fn look(self, now: Instant, wall: Timestamp) -> Self {
        let elapsed = TimeDelta::from_std(now.saturating_duration_since(self.looked)).unwrap_or_default();
        let expected = self.told + elapsed;
        let ahead = wall - expected;
        let (told, ahead_since) = if ahead.abs() <= TOLERANCE {
            (wall.max(self.told), None)
        } else if ahead < TimeDelta::zero() {
            tracing::debug!(
                behind_s = -ahead.num_seconds(),
                "the clock was set back; time runs slower until it meets"
            );
            (self.told + elapsed / 2, None)
        } else {
            let since = self.ahead_since.unwrap_or(now);
            if now.saturating_duration_since(since) >= BELIEVED_AFTER {
                tracing::warn!(ahead_s = ahead.num_seconds(), "the clock was set forward");
                (wall, None)
            } else {
                (expected, Some(since))
            }
        };
        Self { looked: now, told, ahead_since }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;
    use std::sync::atomic::{AtomicI64, Ordering};

    use super::*;

    /// A clock whose wall clock is what the test says, in milliseconds; monotonic time is tokio's, paused.
    fn clock() -> (Clock, Arc<AtomicI64>) {
        let offset = Arc::new(AtomicI64::new(0));
        let (shown, start) = (offset.clone(), Instant::now());
        let clock = Clock::following(move || {
            let run = TimeDelta::from_std(Instant::now() - start).unwrap();
            Timestamp::UNIX_EPOCH + run + TimeDelta::milliseconds(shown.load(Ordering::SeqCst))
        });
        (clock, offset)
    }

    async fn seconds(clock: &Clock, n: u64) -> f64 {
        for _ in 0..n {
            tokio::time::advance(Duration::from_secs(1)).await;
            let _ = clock.now();
        }
        #[allow(clippy::cast_precision_loss)]
        let told = clock.now().timestamp_millis() as f64;
        told / 1000.0
    }

    #[tokio::test(start_paused = true)]
    async fn small_corrections_are_followed_but_never_backward() {
        let (clock, offset) = clock();
        assert_eq!(seconds(&clock, 5).await, 5.0);
        offset.store(300, Ordering::SeqCst);
        assert_eq!(seconds(&clock, 1).await, 6.3);
        offset.store(0, Ordering::SeqCst);
        assert_eq!(seconds(&clock, 0).await, 6.3);
        assert_eq!(seconds(&clock, 1).await, 7.0);
    }

    #[tokio::test(start_paused = true)]
    async fn a_jump_forward_is_believed_only_when_it_lasts() {
        let (clock, offset) = clock();
        let _ = seconds(&clock, 5).await;
        offset.store(86_400_000, Ordering::SeqCst);
        assert_eq!(seconds(&clock, 5).await, 10.0);
        offset.store(0, Ordering::SeqCst);
        assert_eq!(seconds(&clock, 5).await, 15.0);
        offset.store(3_600_000, Ordering::SeqCst);
        assert_eq!(seconds(&clock, 20).await, 3635.0);
    }

    #[tokio::test(start_paused = true)]
    async fn after_a_jump_backward_time_runs_slower_until_both_meet() {
        let (clock, offset) = clock();
        let _ = seconds(&clock, 100).await;
        offset.store(-20_000, Ordering::SeqCst);
        let mut before = clock.now();
        for _ in 0..30 {
            let _ = seconds(&clock, 1).await;
            let now = clock.now();
            assert!(now > before);
            before = now;
        }
        assert_eq!(seconds(&clock, 0).await, 115.0);
        assert_eq!(seconds(&clock, 30).await, 140.0);
    }
}
