//! What an endpoint's task tells the rest of the poller.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use regulator::{Reading, Timestamp};
use tokio::sync::mpsc;

use crate::modbus::ErrorKind;

/// One message from an endpoint's task.
#[derive(Debug)]
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
    /// Whoever sent this wants to know when every reading sent before it is stored.
    Receipt(Receipt),
    /// Something happened at a device, beside polls.
    Event(DeviceEvent),
}

/// Calls back once: with true when everything is stored, with false when some of it was given up, or never will be.
pub struct Receipt(Option<Box<dyn FnOnce(bool) + Send + Sync>>);

impl Receipt {
    /// Will call `back`.
    pub fn new(back: impl FnOnce(bool) + Send + Sync + 'static) -> Self {
        Self(Some(Box::new(back)))
    }

    /// Everything is stored.
    pub fn stored(mut self) {
        if let Some(back) = self.0.take() {
            back(true);
        }
    }
}

impl Drop for Receipt {
    fn drop(&mut self) {
        if let Some(back) = self.0.take() {
            back(false);
        }
    }
}

impl std::fmt::Debug for Receipt {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Receipt")
    }
}

/// Something that a device told of itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DeviceEvent {
    /// Which endpoint.
    pub endpoint_id: i32,
    /// Which unit behind it.
    pub unit: u16,
    /// What.
    pub what: DeviceNews,
}

/// What a device can tell of itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum DeviceNews {
    /// It has restarted.
    Restarted,
    /// It has lost events.
    Overflowed,
    /// Its clock is so far ahead of ours.
    ClockOffset {
        /// Milliseconds; negative when it is behind.
        millis: i64,
    },
    /// What it says it is.
    Identity(Identity),
}

/// Who made a device, which model, which firmware; as far as it says.
#[derive(Debug, Clone, PartialEq, Eq, Default, serde::Serialize)]
pub struct Identity {
    /// Who made it.
    pub manufacturer: Option<String>,
    /// Name and model of the product.
    pub model: Option<String>,
    /// Version of its software.
    pub software_version: Option<String>,
    /// Version of its hardware.
    pub hardware_version: Option<String>,
    /// Serial number.
    pub serial_number: Option<String>,
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
    /// Hands over a report without waiting; returns whether it was taken. A receipt that is not taken calls back at once.
    #[allow(clippy::must_use_candidate, reason = "most reports are lost without regret: they are counted")]
    pub fn send(&self, report: Report) -> bool {
        let taken = self.sender.try_send(report).is_ok();
        if !taken {
            self.given_up.fetch_add(1, Ordering::Relaxed);
        }
        taken
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
