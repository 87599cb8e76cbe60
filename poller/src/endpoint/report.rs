//! What an endpoint's task tells the rest of the poller.

use std::time::Duration;

use regulator::{Reading, Timestamp};

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
    /// configuration is wrong).
    pub unit: Option<u8>,
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
