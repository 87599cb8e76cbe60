//! What an endpoint's task tells the rest of the poller.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use regulator::{Reading, Timestamp};
use tokio::sync::mpsc;

use crate::modbus::ErrorKind;

/// One message from an endpoint's task.
#[derive(Debug, Clone, PartialEq)]
pub enum Report {
    /// A regulator was read, wholly or in part.
    Reading {
        /// Which one.
        regulator_id: i32,
        /// Its state.
        reading: Reading,
    },
    /// A poll of one unit is over, or an endpoint cannot be polled at all.
    Outcome(Outcome),
}

/// How one poll of one unit went.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// Which endpoint.
    pub endpoint_id: i32,
    /// Which unit behind it; none when the endpoint as a whole is meant (it does not accept a connection, or its
    /// configuration is wrong). An outcome that names a unit, good or bad, says that the endpoint does accept connections.
    pub unit: Option<u16>,
    /// When the poll ended.
    pub at: Timestamp,
    /// How it went.
    pub result: Result<Answered, Failure>,
    /// How long after its due time it started.
    pub lateness: Duration,
    /// Due times before this poll that passed without one, since the outcome reported before.
    pub missed: u32,
}

/// A poll in which every request was answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Answered {
    /// The slowest request's time from sending to answer.
    pub latency: Duration,
}

/// A poll that failed, or was refused in part.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Failure {
    /// What kind of failure.
    pub kind: ErrorKind,
    /// One line for people.
    pub text: String,
}

/// A channel for reports: as many as `capacity` wait; what comes beyond is given up and counted, so that a slow reader never
/// holds up a poll.
#[must_use]
pub fn channel(capacity: usize) -> (ReportSender, mpsc::Receiver<Report>) {
    let (sender, receiver) = mpsc::channel(capacity);
    (ReportSender { sender, given_up: Arc::default() }, receiver)
}

/// The sending end, shared by all endpoints' tasks.
#[derive(Debug, Clone)]
pub struct ReportSender {
    sender: mpsc::Sender<Report>,
    given_up: Arc<AtomicU64>,
}

impl ReportSender {
    /// Hands over a report without waiting.
    pub fn send(&self, report: Report) {
        if self.sender.try_send(report).is_err() {
            self.given_up.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// How many reports were given up because the reader was too far behind, or gone.
    #[must_use]
    pub fn given_up(&self) -> u64 {
        self.given_up.load(Ordering::Relaxed)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_full_channel_gives_up_and_counts_instead_of_waiting() {
        let (sender, mut receiver) = channel(2);
        for regulator_id in 0..5 {
            sender.send(Report::Reading { regulator_id, reading: Reading::new(Timestamp::UNIX_EPOCH) });
        }
        assert_eq!(sender.given_up(), 3);
        assert!(matches!(receiver.recv().await, Some(Report::Reading { regulator_id: 0, .. })));
    }
}
