//! One connection and the outstations behind it. What comes in is in [`super::receiving`], what time brings in [`super::timing`].

use std::time::Duration;

use super::budget::Budget;
use super::flight::Flight;
use super::request::{self, Request};
use super::schedule::Due;
use super::{Association, AssociationConfig, ChannelConfig, Failure, Host, Note, Now, Pace, Task, Token};
use crate::application::Sequence;
use crate::link::{self, Control, Function, Header, Parser, Primary};
use crate::transport::Segments;

/// A master's side of one connection.
#[derive(Debug)]
pub struct Channel {
    pub(super) config: ChannelConfig,
    pub(super) associations: Vec<Association>,
    pub(super) parser: Parser,
    pub(super) connected: bool,
    pub(super) flight: Option<Flight>,
    /// No silent outstation is asked before this.
    pub(super) silent_after: Duration,
    pub(super) budget: Budget,
    pub(super) closing: Option<String>,
    pub(super) tokens: u64,
    /// Answers that came when nobody waited for them any more.
    pub(super) late: u64,
    /// Frames from or to addresses that are nobody's here.
    pub(super) foreign: u64,
    output: Vec<u8>,
    fragment: Vec<u8>,
    segment: Vec<u8>,
}

/// Bits of a token that count; those above say whose it is.
const TOKEN_BITS: u32 = 48;

impl Channel {
    /// A channel that is not connected yet.
    #[must_use]
    pub fn new(config: ChannelConfig, associations: Vec<AssociationConfig>, now: Duration) -> Self {
        Self {
            config,
            associations: associations.into_iter().map(|a| Association::new(a, now)).collect(),
            parser: Parser::new(),
            connected: false,
            flight: None,
            silent_after: now,
            budget: Budget::new(now),
            closing: None,
            tokens: 0,
            late: 0,
            foreign: 0,
            output: Vec::new(),
            fragment: Vec::new(),
            segment: Vec::new(),
        }
    }

    /// The outstations.
    #[must_use]
    pub fn associations(&self) -> &[Association] {
        &self.associations
    }

    /// What the link layer saw.
    #[must_use]
    pub const fn link_counters(&self) -> link::Counters {
        self.parser.counters()
    }

    /// Answers that came too late, or that nobody had asked for.
    #[must_use]
    pub const fn late_answers(&self) -> u64 {
        self.late
    }

    /// Frames from or to addresses that are nobody's here.
    #[must_use]
    pub const fn foreign_frames(&self) -> u64 {
        self.foreign
    }

    /// Why the connection should be closed, if it should.
    #[must_use]
    pub fn close_reason(&self) -> Option<&str> {
        self.closing.as_deref()
    }

    /// A connection was made.
    pub fn connected(&mut self, now: Now) {
        self.parser.reset();
        self.output.clear();
        self.connected = true;
        self.flight = None;
        self.closing = None;
        self.budget = Budget::new(now.monotonic);
        for association in &mut self.associations {
            association.connected(now.monotonic);
        }
    }

    /// The connection is gone. What was under way has failed.
    pub fn disconnected(&mut self, host: &mut impl Host) {
        self.connected = false;
        self.output.clear();
        if let Some(flight) = self.flight.take() {
            let association = &mut self.associations[flight.association];
            association.schedule.failed(flight.task);
            let note = Note::Failed { task: flight.task, failure: Failure::Closed, pace: flight.pace };
            host.note(association.outstation(), note);
        }
    }

    /// What is to be sent. Whoever sends it clears it.
    pub const fn output(&mut self) -> &mut Vec<u8> {
        &mut self.output
    }

    /// What a token stands for has been stored (or was lost): it is confirmed (or not).
    pub fn stored(&mut self, token: Token, stored: bool, now: Now, host: &mut impl Host) {
        let Some(index) =
            usize::try_from(token.0 >> TOKEN_BITS).ok().filter(|i| *i < self.associations.len())
        else {
            return;
        };
        let association = &mut self.associations[index];
        association.stored(stored, now.monotonic);
        if stored && let Some(sequence) = association.unsolicited.stored(token) {
            self.confirm(index, sequence, true);
            return;
        }
        association.unsolicited.lost(token);
        let Some(owed) = association.owed.take_if(|owed| owed.token == token) else { return };
        if stored {
            self.confirm(index, owed.sequence, false);
            if let Some(flight) = self.flight.as_mut().filter(|f| f.association == index) {
                flight.deadline = now.monotonic + self.config.response_timeout;
            }
        } else if owed.more {
            self.fail(Failure::NotStored, host);
        }
    }

    pub(super) const fn next_token(&mut self, index: usize) -> Token {
        self.tokens += 1;
        Token((index as u64) << TOKEN_BITS | self.tokens & ((1 << TOKEN_BITS) - 1))
    }

    /// Sends a request as the first, or a further, step of a task.
    pub(super) fn ask(&mut self, index: usize, (task, pace): (Task, Pace), request: Request, now: Now) {
        let association = &mut self.associations[index];
        let sequence = association.sequence;
        association.sequence = sequence.next();
        self.fragment.clear();
        request.encode(sequence, &mut self.fragment);
        self.send_fragment(index);
        self.flight = Some(Flight {
            association: index,
            task,
            request,
            pace,
            sequence,
            sent_at: now.monotonic,
            sent_wall: now.wall,
            deadline: now.monotonic + self.config.response_timeout,
            end: now.monotonic + self.config.answer_timeout,
            latency: None,
            fragments: 0,
            events: false,
            stranger: None,
        });
    }

    /// Begins a task.
    pub(super) fn begin(&mut self, index: usize, due: Due, now: Now) {
        let association = &mut self.associations[index];
        let pace = association.schedule.begun(due, now.monotonic);
        let request = association.first_request(due.task);
        self.ask(index, (due.task, pace), request, now);
    }

    pub(super) fn confirm(&mut self, index: usize, sequence: Sequence, unsolicited: bool) {
        self.fragment.clear();
        request::confirm(sequence, unsolicited, &mut self.fragment);
        self.send_fragment(index);
    }

    pub(super) fn ask_link_status(&mut self, index: usize) {
        let header = self.header(index, Primary::RequestLinkStatus);
        link::encode(header, &[], &mut self.output);
    }

    pub(super) fn answer_link(&mut self, header: Header) {
        link::encode(header, &[], &mut self.output);
    }

    /// Ends what is under way as failed.
    pub(super) fn fail(&mut self, failure: Failure, host: &mut impl Host) {
        let Some(flight) = self.flight.take() else { return };
        let association = &mut self.associations[flight.association];
        association.schedule.failed(flight.task);
        let note = Note::Failed { task: flight.task, failure, pace: flight.pace };
        host.note(association.outstation(), note);
    }

    fn header(&self, index: usize, function: Primary) -> Header {
        Header {
            control: Control::new(true, Function::Primary(function)),
            destination: self.associations[index].outstation(),
            source: self.config.master,
        }
    }

    fn send_fragment(&mut self, index: usize) {
        let header = self.header(index, Primary::UnconfirmedUserData);
        let association = &mut self.associations[index];
        let mut segments = Segments::of(&self.fragment, association.transport_sequence);
        while segments.next_into(&mut self.segment) {
            link::encode(header, &self.segment, &mut self.output);
        }
        association.transport_sequence = segments.sequence();
    }
}
