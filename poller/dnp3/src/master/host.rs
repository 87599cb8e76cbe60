//! What a channel tells whoever runs it.

use std::time::Duration;

use super::Task;
use crate::application::{Fragment, Indications, ObjectError};
use crate::link::Address;

/// Whoever runs a channel.
pub trait Host {
    /// Objects arrived. If the fragment asks for a confirmation, the answer says when it may be given.
    fn arrived(&mut self, arrived: &Arrived<'_>) -> Receipt;

    /// Something else happened.
    fn note(&mut self, outstation: Address, note: Note);
}

/// A fragment with data.
#[derive(Debug, Clone, Copy)]
pub struct Arrived<'a> {
    /// From whom.
    pub outstation: Address,
    /// In answer to what; none if it was unsolicited.
    pub task: Option<Task>,
    /// What the outstation says of itself.
    pub indications: Indications,
    /// The fragment.
    pub fragment: Fragment<'a>,
    /// For [`super::Channel::stored`], if the fragment asks for a confirmation.
    pub token: Option<Token>,
}

/// Names one confirmation that is owed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Token(pub(super) u64);

/// How well a task kept to its schedule.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Pace {
    /// How long after its due time it began.
    pub late: Duration,
    /// Due times that passed without it.
    pub missed: u32,
}

/// When a fragment may be confirmed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Receipt {
    /// At once: nothing in it needs to be kept.
    Now,
    /// When [`super::Channel::stored`] says so.
    WhenStored,
}

/// What happened beside data.
#[derive(Debug, Clone, PartialEq)]
pub enum Note {
    /// A task is done.
    Done {
        /// Which.
        task: Task,
        /// From the request to the first fragment of its answer.
        latency: Duration,
        /// How well it kept to its schedule.
        pace: Pace,
    },
    /// A task failed.
    Failed {
        /// Which.
        task: Task,
        /// Why.
        failure: Failure,
        /// How well it kept to its schedule.
        pace: Pace,
    },
    /// The outstation has restarted.
    Restarted,
    /// The outstation has lost events.
    Overflowed,
    /// The outstation's clock is so far ahead of ours.
    ClockOffset {
        /// Milliseconds; negative when it is behind.
        millis: i64,
    },
    /// Its clock was set.
    ClockSet,
    /// Something of a fragment could not be read; what came before it was.
    Unreadable(ObjectError),
    /// Its unsolicited responses came faster than they could be stored, or nobody wanted them: one was left unconfirmed.
    UnsolicitedIgnored,
}

/// Why a task failed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Failure {
    /// No answer came in time.
    #[error("no answer from outstation {outstation} to {what} within {millis} ms{}", stranger(*stranger_address))]
    Timeout {
        /// Who should have answered.
        outstation: Address,
        /// What.
        what: String,
        /// How long was waited.
        millis: u128,
        /// Another address that sent something meanwhile.
        stranger_address: Option<Address>,
    },
    /// The answer began and did not end.
    #[error(
        "the answer of outstation {outstation} to {what} did not end: {fragments} fragments in {millis} ms"
    )]
    Endless {
        /// Who answered.
        outstation: Address,
        /// What.
        what: String,
        /// How many fragments came.
        fragments: u32,
        /// In how long.
        millis: u128,
    },
    /// The outstation refused.
    #[error("outstation {outstation} refused {what}: {indications}")]
    Refused {
        /// Who refused.
        outstation: Address,
        /// What.
        what: String,
        /// In what words.
        indications: Indications,
    },
    /// The connection ended.
    #[error("the connection ended")]
    Closed,
    /// What came could not be stored in time, so that the rest was not asked for.
    #[error("readings could not be stored in time; the outstation keeps its events")]
    NotStored,
}

fn stranger(address: Option<Address>) -> String {
    address.map_or_else(String::new, |address| format!("; frames came from address {address} instead"))
}
