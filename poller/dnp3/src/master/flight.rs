//! A request that is under way, and what its answer has brought so far.

use std::time::Duration;

use super::{Failure, Pace, Request, Task};
use crate::application::Sequence;
use crate::link::Address;
use crate::objects::Timestamp;

#[derive(Debug)]
pub(super) struct Flight {
    /// Number of the association.
    pub(super) association: usize,
    pub(super) task: Task,
    pub(super) request: Request,
    pub(super) pace: Pace,
    /// Of the fragment expected next.
    pub(super) sequence: Sequence,
    pub(super) sent_at: Duration,
    pub(super) sent_wall: Timestamp,
    /// The next fragment must be there by then.
    pub(super) deadline: Duration,
    /// The whole answer must be there by then.
    pub(super) end: Duration,
    /// From the request to the first fragment.
    pub(super) latency: Option<Duration>,
    pub(super) fragments: u32,
    /// Whether it brought events.
    pub(super) events: bool,
    /// Who else sent something meanwhile.
    pub(super) stranger: Option<Address>,
}

impl Flight {
    /// Why it failed, now that time is up.
    pub(super) fn expired(&self, outstation: Address, now: Duration) -> Failure {
        let millis = now.saturating_sub(self.sent_at).as_millis();
        let what = self.request.text();
        if self.fragments > 0 {
            Failure::Endless { outstation, what, fragments: self.fragments, millis }
        } else {
            Failure::Timeout { outstation, what, millis, stranger_address: self.stranger }
        }
    }
}

/// A fragment whose data is being stored; the outstation waits for its confirmation.
#[derive(Debug, Clone, Copy)]
pub(super) struct Owed {
    pub(super) token: super::Token,
    pub(super) sequence: Sequence,
    pub(super) expires: Duration,
    /// Whether more fragments follow once it is confirmed.
    pub(super) more: bool,
}
