//! Waiting for something to come true, with a bound.

use std::{fmt::Debug, time::Duration};

use tokio::time::{Instant, sleep};

/// Asks every 50 ms until there is an answer, and returns it.
///
/// # Panics
/// When there is none within `patience`.
pub async fn until<T>(what: &str, patience: Duration, mut ask: impl AsyncFnMut() -> Option<T>) -> T {
    let end = Instant::now() + patience;
    loop {
        if let Some(answer) = ask().await {
            return answer;
        }
        assert!(Instant::now() < end, "not within {} s: {what}", patience.as_secs());
        sleep(Duration::from_millis(50)).await;
    }
}

/// Asks every 50 ms until the answer is the expected one.
///
/// # Panics
/// When it is not within `patience`; shows the last answer.
pub async fn until_equal<T: PartialEq + Debug>(
    what: &str,
    patience: Duration,
    expected: &T,
    mut ask: impl AsyncFnMut() -> T,
) {
    let end = Instant::now() + patience;
    loop {
        let answer = ask().await;
        if answer == *expected {
            return;
        }
        assert!(
            Instant::now() < end,
            "not within {} s: {what}: {answer:?} instead of {expected:?}",
            patience.as_secs()
        );
        sleep(Duration::from_millis(50)).await;
    }
}
