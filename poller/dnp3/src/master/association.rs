//! One outstation as the master sees it.

use std::time::Duration;

use super::flight::Owed;
use super::schedule::Schedule;
use super::unsolicited::Unsolicited;
use super::{AssociationConfig, ChannelConfig, Classes, Request, Task, TimeSync};
use crate::application::{Indications, MAX_FRAGMENT, Sequence};
use crate::link::Address;
use crate::transport::{self, Reassembly};

/// First wait after an outstation did not answer; doubled each time.
const FIRST_WAIT: Duration = Duration::from_secs(5);
const LONGEST_WAIT: Duration = Duration::from_secs(60);
/// After something was lost, no events are asked for so long: whatever refuses them would refuse them as fast as they come.
const AFTER_LOSS: Duration = Duration::from_secs(5);

/// One outstation behind a channel.
#[derive(Debug)]
pub struct Association {
    pub(super) config: AssociationConfig,
    pub(super) schedule: Schedule,
    pub(super) reassembly: Reassembly,
    pub(super) unsolicited: Unsolicited,
    /// Of the next request.
    pub(super) sequence: Sequence,
    pub(super) transport_sequence: transport::Sequence,
    /// What it last said of itself.
    pub(super) indications: Indications,
    /// A solicited fragment that is being stored.
    pub(super) owed: Option<Owed>,
    /// Whether what came last was stored or lost in time.
    pub(super) storing: bool,
    /// After a loss: no events are to be asked for before.
    lost_until: Duration,
    /// Requests without an answer, in a row.
    pub(super) silences: u32,
    /// While it is silent: not to be asked before.
    pub(super) not_before: Duration,
    /// When a frame of it last came.
    pub(super) heard_at: Duration,
    /// While its link status is asked for: until when it must answer.
    pub(super) asked_status: Option<Duration>,
}

impl Association {
    pub(super) fn new(config: AssociationConfig, now: Duration) -> Self {
        Self {
            schedule: Schedule::new(&config, now),
            config,
            reassembly: Reassembly::new(MAX_FRAGMENT),
            unsolicited: Unsolicited::default(),
            sequence: Sequence::default(),
            transport_sequence: transport::Sequence::default(),
            indications: Indications::NONE,
            owed: None,
            storing: true,
            lost_until: now,
            silences: 0,
            not_before: now,
            heard_at: now,
            asked_status: None,
        }
    }

    /// Its link address.
    #[must_use]
    pub const fn outstation(&self) -> Address {
        self.config.outstation
    }

    /// What it last said of itself.
    #[must_use]
    pub const fn indications(&self) -> Indications {
        self.indications
    }

    /// Whether it did not answer when last asked.
    #[must_use]
    pub const fn is_silent(&self) -> bool {
        self.silences > 0
    }

    /// What a task begins with.
    pub(super) fn first_request(&self, task: Task) -> Request {
        match task {
            Task::ClearRestart => Request::ClearRestart,
            Task::DisableUnsolicited => Request::DisableUnsolicited,
            Task::Integrity => Request::ReadClasses(Classes::ALL),
            Task::EnableUnsolicited => Request::EnableUnsolicited(self.config.unsolicited),
            Task::SyncTime if self.config.time_sync == TimeSync::NonLan => Request::MeasureDelay,
            Task::SyncTime => Request::RecordCurrentTime,
            Task::Events(poll) => {
                let poll = self.config.event_polls.get(poll);
                Request::ReadClasses(poll.map_or(Classes::EVENTS, |poll| poll.classes))
            }
            Task::Static => Request::ReadClasses(Classes::STATIC),
            Task::Clock => Request::ReadTime,
            Task::Attributes => Request::ReadAttributes,
        }
    }

    pub(super) fn connected(&mut self, now: Duration) {
        self.reassembly.reset();
        self.unsolicited.reset();
        self.owed = None;
        self.asked_status = None;
        self.heard_at = now;
        self.not_before = now;
        self.schedule.connected();
    }

    /// Whether events may be asked for: they could be stored, as far as is known.
    pub(super) fn is_storing(&self, now: Duration) -> bool {
        self.storing && self.lost_until <= now
    }

    /// What came was stored, or lost.
    pub(super) fn stored(&mut self, stored: bool, now: Duration) {
        self.storing = true;
        self.lost_until = if stored { now } else { now + AFTER_LOSS };
    }

    pub(super) const fn answered(&mut self) {
        self.silences = 0;
        self.not_before = Duration::ZERO;
    }

    pub(super) fn silent(&mut self, now: Duration) {
        let wait = FIRST_WAIT.saturating_mul(1 << self.silences.min(8)).min(LONGEST_WAIT);
        self.silences = self.silences.saturating_add(1);
        self.not_before = now + wait;
    }

    /// When its link status is to be asked for, or its answer to that is overdue.
    pub(super) fn link_deadline(&self, config: &ChannelConfig) -> Option<Duration> {
        match self.asked_status {
            Some(until) => Some(until),
            None if config.keep_alive.is_zero() => None,
            None => Some(self.heard_at + config.keep_alive),
        }
    }
}
