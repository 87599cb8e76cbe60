//! How long to leave alone what does not answer.

use std::time::Duration;

/// Longest wait, unless the poll interval itself is longer.
const LONGEST: Duration = Duration::from_secs(30);
/// Share of the wait that chance may add or take, so that many that failed together do not return together.
const JITTER: f64 = 0.2;

/// Doubling waits, jittered, up to half a minute.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Backoff {
    first: Duration,
    failures: u32,
}

impl Backoff {
    /// Begins with about this wait.
    pub(crate) const fn new(first: Duration) -> Self {
        Self { first, failures: 0 }
    }

    /// One more failure in a row; how long to wait now. `chance` is from 0 to 1.
    pub(crate) fn fail(&mut self, chance: f64) -> Duration {
        let doubled = self.first.saturating_mul(1u32.checked_shl(self.failures).unwrap_or(u32::MAX));
        self.failures = self.failures.saturating_add(1).min(31);
        let wait = doubled.min(LONGEST.max(self.first));
        wait.mul_f64(1.0 + JITTER * (2.0 * chance.clamp(0.0, 1.0) - 1.0))
    }

    pub(crate) const fn succeed(&mut self) {
        self.failures = 0;
    }

    pub(crate) const fn is_failing(&self) -> bool {
        self.failures > 0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_up_to_half_a_minute_and_start_over_after_success() {
        let mut backoff = Backoff::new(Duration::from_secs(1));
        let waits: Vec<_> = (0..8).map(|_| backoff.fail(0.5).as_secs()).collect();
        assert_eq!(waits, [1, 2, 4, 8, 16, 30, 30, 30]);
        assert!(backoff.is_failing());
        backoff.succeed();
        assert_eq!(backoff.fail(0.5).as_secs(), 1);
        for _ in 0..100 {
            let _ = backoff.fail(1.0);
        }
        assert_eq!(backoff.fail(1.0).as_secs(), 36);
        assert_eq!(backoff.fail(0.0).as_secs(), 24);
    }

    #[test]
    fn a_long_interval_is_its_own_longest_wait() {
        let mut backoff = Backoff::new(Duration::from_secs(300));
        assert_eq!([backoff.fail(0.5), backoff.fail(0.5)].map(|d| d.as_secs()), [300, 300]);
    }
}
