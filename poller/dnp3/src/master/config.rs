//! What a channel and its outstations are asked for, and how often.

use std::time::Duration;

use crate::link::Address;
use crate::objects::Classes;

/// One connection.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChannelConfig {
    /// The master's own link address.
    pub master: Address,
    /// How long an outstation may take to begin its answer, and then for each further fragment.
    pub response_timeout: Duration,
    /// How long a whole answer may take, however many fragments it has.
    pub answer_timeout: Duration,
    /// After so long without a sign of an outstation, ask for its link status; never if zero.
    pub keep_alive: Duration,
    /// How long to wait for data to be stored before the confirmation is given up. Less than outstations wait for it.
    pub storing_timeout: Duration,
}

impl ChannelConfig {
    /// The usual times for `master`.
    #[must_use]
    pub const fn new(master: Address) -> Self {
        Self {
            master,
            response_timeout: Duration::from_secs(5),
            answer_timeout: Duration::from_secs(60),
            keep_alive: Duration::from_secs(60),
            storing_timeout: Duration::from_secs(4),
        }
    }
}

/// Events to ask for, and how often.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct EventPoll {
    /// Which.
    pub classes: Classes,
    /// Time from one poll to the next.
    pub period: Duration,
}

/// How to set an outstation's clock when it asks for it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum TimeSync {
    /// Never.
    #[default]
    Never,
    /// By the procedure for networks (clause 10.3.3.2): record, then write.
    Lan,
    /// By the procedure for slow lines (clause 10.3.3.1): measure the delay, then write.
    NonLan,
}

/// One outstation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AssociationConfig {
    /// Its link address.
    pub outstation: Address,
    /// Time from one poll of everything to the next; only at the start and when it is called for, if zero.
    pub integrity_period: Duration,
    /// Polls of events.
    pub event_polls: Vec<EventPoll>,
    /// Events that it may report by itself; none: it is told to be silent.
    pub unsolicited: Classes,
    /// How to set its clock.
    pub time_sync: TimeSync,
    /// How often to compare its clock with ours; never if zero.
    pub clock_period: Duration,
    /// Whether to ask who made it.
    pub attributes: bool,
    /// Whether this is the outstation's own master, which silences it at the start, takes its events and clears its restart
    /// indication. A bystander only reads present values, so that nothing is taken from the master that it belongs to.
    pub keeps_house: bool,
    /// Where in their periods the first polls lie, so that many outstations do not all answer at once.
    pub phase: Duration,
}

impl AssociationConfig {
    /// An outstation whose events are polled every `period`, everything every hour.
    #[must_use]
    pub fn new(outstation: Address, period: Duration) -> Self {
        Self {
            outstation,
            integrity_period: Duration::from_secs(3600),
            event_polls: vec![EventPoll { classes: Classes::EVENTS, period }],
            unsolicited: Classes::default(),
            time_sync: TimeSync::Never,
            clock_period: Duration::from_secs(600),
            attributes: true,
            keeps_house: true,
            phase: Duration::ZERO,
        }
    }
}
