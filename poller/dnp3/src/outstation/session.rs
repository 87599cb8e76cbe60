//! One outstation: its state, and what becomes of each fragment that reaches it.
//!
//! How a READ is answered is in [`super::answer`], every other request in [`super::commands`], reports that nobody asked for in [`super::unsolicited`].

use std::time::Duration;

use super::outbox::Outbox;
use super::plan::Plan;
use super::unsolicited::Reporting;
use super::{Database, PointError, SessionConfig};
use crate::Now;
use crate::application::{Control, Fragment, Function, Indications, Sequence};
use crate::link::Address;
use crate::objects::{Flags, Kind, Time, Timestamp, Value};

/// What a restart does to events.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Restart {
    /// They are still there: the device keeps them without power.
    KeepEvents,
    /// They are gone.
    LoseEvents,
}

/// The one confirmation that is awaited.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Awaiting {
    Nothing,
    /// Of a fragment of an answer.
    Solicited {
        from: Address,
        sequence: Sequence,
        until: Duration,
        told_broadcast: bool,
    },
    /// Of a report that nobody asked for, sent again so many times; `null` if it has no events, `stopped` if the master wants no more.
    Unsolicited {
        sequence: Sequence,
        until: Duration,
        again: u32,
        null: bool,
        stopped: bool,
        told_broadcast: bool,
    },
}

/// That a request to everybody came, which the next response tells (clause 4.2.2.6).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Broadcast {
    /// Once.
    Once,
    /// Until it is confirmed: it was sent to 0xFFFE.
    UntilConfirmed,
}

/// A request, to be told from its repetition, and its answer.
#[derive(Debug, Default)]
pub(super) struct Exchange {
    pub(super) request: Vec<u8>,
    pub(super) response: Vec<u8>,
}

/// One outstation. It outlives connections.
#[derive(Debug)]
pub struct Session {
    pub(super) config: SessionConfig,
    pub(super) database: Database,
    /// How far its clock is ahead of UTC, milliseconds.
    pub(super) clock_offset_ms: i64,
    pub(super) restarted: bool,
    pub(super) needs_time: bool,
    /// Other things that it says of itself.
    condition: Indications,
    pub(super) broadcast: Option<Broadcast>,
    /// After RECORD_CURRENT_TIME: the number of the request that must follow, and when it arrived.
    pub(super) recorded: Option<(Sequence, Duration)>,
    pub(super) awaiting: Awaiting,
    /// What is left of the answer that is under way, and what it asked for in vain.
    pub(super) plan: Plan,
    pub(super) refused: Indications,
    /// A READ that came while a report awaited its confirmation.
    pub(super) deferred: Option<(Address, Vec<u8>)>,
    pub(super) last: Exchange,
    pub(super) reporting: Reporting,
}

impl Session {
    /// An outstation that has just started.
    #[must_use]
    pub fn new(config: SessionConfig, database: Database) -> Self {
        Self {
            clock_offset_ms: config.clock_offset_ms,
            needs_time: config.need_time,
            config,
            database,
            restarted: true,
            condition: Indications::NONE,
            broadcast: None,
            recorded: None,
            awaiting: Awaiting::Nothing,
            plan: Plan::default(),
            refused: Indications::NONE,
            deferred: None,
            last: Exchange::default(),
            reporting: Reporting::default(),
        }
    }

    /// Its link address.
    #[must_use]
    pub const fn address(&self) -> Address {
        self.config.address
    }

    /// What it knows.
    #[must_use]
    pub const fn database(&self) -> &Database {
        &self.database
    }

    /// What it knows, to be changed. Changes with the time of now are better made by [`Session::update`].
    pub const fn database_mut(&mut self) -> &mut Database {
        &mut self.database
    }

    /// Gives a point its value, with the time by its own clock; says whether that made an event. Tick the station afterwards.
    ///
    /// # Errors
    /// As [`Database::update`].
    pub fn update(
        &mut self,
        kind: Kind,
        index: u16,
        value: Value<'_>,
        flags: Flags,
        now: Now,
    ) -> Result<bool, PointError> {
        let time = Time { at: self.clock(now), synchronised: Some(!self.needs_time) };
        self.database.update(kind, index, value, flags, time)
    }

    /// What its own clock shows.
    #[must_use]
    pub const fn clock(&self, now: Now) -> Timestamp {
        Timestamp::from_millis(now.wall.millis().wrapping_add_signed(self.clock_offset_ms))
    }

    /// Lets its clock be wrong by so many milliseconds, until somebody sets it.
    pub const fn set_clock_offset(&mut self, millis: i64) {
        self.clock_offset_ms = millis;
    }

    /// Asks for the time, until somebody sets it.
    pub const fn need_time(&mut self) {
        self.needs_time = true;
    }

    /// What else it says of itself in every response: local control, device trouble, damaged configuration.
    pub const fn set_condition(&mut self, indications: Indications) {
        self.condition = indications;
    }

    /// Starts anew, as after a loss of power: restarted, its clock as configured, nobody's permission to report, all numbers from the start.
    /// Present values stay. That the connection breaks as well is for the caller to do.
    pub fn restart(&mut self, restart: Restart) {
        self.restarted = true;
        self.needs_time = self.config.need_time;
        self.clock_offset_ms = self.config.clock_offset_ms;
        self.broadcast = None;
        self.recorded = None;
        self.reporting = Reporting::default();
        self.disconnected();
        if restart == Restart::LoseEvents {
            self.database.events.clear();
        }
    }

    /// What it says of itself.
    #[must_use]
    pub fn indications(&self) -> Indications {
        let mut all = self.database.events.indications().with(self.condition);
        for (is, bit) in [
            (self.restarted, Indications::DEVICE_RESTART),
            (self.needs_time, Indications::NEED_TIME),
            (self.broadcast.is_some(), Indications::BROADCAST),
        ] {
            all = if is { all.with(bit) } else { all };
        }
        all
    }

    /// The connection is gone: what awaited confirmation will not get it.
    pub(super) fn disconnected(&mut self) {
        self.give_up();
        self.deferred = None;
        self.last.request.clear();
    }

    /// Nobody confirms what is under way any more: its events wait again.
    pub(super) fn give_up(&mut self) {
        self.plan.clear();
        if self.awaiting != Awaiting::Nothing {
            self.awaiting = Awaiting::Nothing;
            self.database.events.released();
        }
    }

    /// Takes a fragment that was meant for it alone.
    pub(super) fn receive(&mut self, bytes: &[u8], from: Address, now: Now, out: &mut Outbox) {
        let Some(fragment) = request(bytes) else { return };
        let control = fragment.control;
        match fragment.function {
            Function::Confirm => self.confirmed(control, from, now, out),
            _ if control.unsolicited => {}
            Function::Response | Function::Unsolicited => {}
            // reports and answers must not bring the same events at the same time
            Function::Read if matches!(self.awaiting, Awaiting::Unsolicited { stopped: false, .. }) => {
                self.deferred = Some((from, bytes.to_vec()));
            }
            Function::Read => self.read(&fragment, from, now, out),
            _ => {
                // a later request takes the place of one that waits
                self.deferred = None;
                self.command(bytes, &fragment, from, now, out);
            }
        }
        self.tick(now, out);
    }

    /// Takes a fragment that was meant for everybody: it is obeyed as far as it can be, not answered, and told of in the next response.
    pub(super) fn receive_broadcast(&mut self, bytes: &[u8], must_confirm: bool, now: Now) {
        if matches!(self.awaiting, Awaiting::Solicited { .. }) {
            self.give_up();
        }
        self.broadcast = Some(if must_confirm { Broadcast::UntilConfirmed } else { Broadcast::Once });
        if let Some(fragment) = request(bytes).filter(|f| !f.control.unsolicited) {
            self.obey(&fragment, now);
        }
    }

    fn confirmed(&mut self, control: Control, who: Address, now: Now, out: &mut Outbox) {
        let told = match self.awaiting {
            Awaiting::Solicited { from, sequence, told_broadcast, .. }
                if (who, control.sequence, control.unsolicited) == (from, sequence, false) =>
            {
                told_broadcast
            }
            Awaiting::Unsolicited { sequence, told_broadcast, .. }
                if (control.sequence, control.unsolicited) == (sequence, true) =>
            {
                told_broadcast
            }
            // it confirms something that nobody waits for any more
            _ => return,
        };
        if told && self.broadcast == Some(Broadcast::UntilConfirmed) {
            self.broadcast = None;
        }
        self.database.events.confirmed();
        match std::mem::replace(&mut self.awaiting, Awaiting::Nothing) {
            Awaiting::Solicited { from, sequence, .. } if !self.plan.is_done() => {
                self.send_answer(from, sequence.next(), false, now, out);
            }
            Awaiting::Unsolicited { null, .. } => {
                self.reporting.confirmed(null);
                self.answer_deferred(now, out);
            }
            _ => {}
        }
    }

    /// Does what time has brought.
    pub(super) fn tick(&mut self, now: Now, out: &mut Outbox) {
        match self.awaiting {
            Awaiting::Solicited { until, .. } if until <= now.monotonic => self.give_up(),
            Awaiting::Unsolicited { until, .. } if until <= now.monotonic => self.report_again(now, out),
            _ => {}
        }
        if self.awaiting == Awaiting::Nothing {
            self.report(now, out);
        }
    }

    /// When to look again at the latest.
    pub(super) fn next_deadline(&self) -> Option<Duration> {
        match self.awaiting {
            Awaiting::Solicited { until, .. } | Awaiting::Unsolicited { until, .. } => Some(until),
            Awaiting::Nothing => self.report_due(),
        }
    }
}

/// Requests are of one fragment (clause 4.2.2.4): anything else is none.
fn request(bytes: &[u8]) -> Option<Fragment<'_>> {
    Fragment::parse(bytes).ok().filter(|f| f.control.first && f.control.last)
}
