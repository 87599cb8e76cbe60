//! One connection, and the outstations behind it.

use std::mem;
use std::time::Duration;

use super::misbehaviour::Mischief;
use super::outbox::Outbox;
use super::{Misbehaviour, Session};
use crate::Now;
use crate::application::MAX_FRAGMENT;
use crate::link::{self, Address, Control, Frame, Function, Header, Parser, Primary};
use crate::transport::{self, Reassembly, Segments};

/// Broadcasts to this address are told of until that is confirmed (clause 9.2.4.3.6).
const MUST_CONFIRM: u16 = 0xFFFE;

/// The outstations' side of one connection. While it is not connected it takes and sends nothing; its sessions go on.
#[derive(Debug)]
pub struct Station {
    links: Vec<Link>,
    parser: Parser,
    connected: bool,
    foreign: u64,
    output: Vec<u8>,
    outbox: Outbox,
}

/// One outstation with what is below it.
#[derive(Debug)]
struct Link {
    session: Session,
    reassembly: Reassembly,
    transport_sequence: transport::Sequence,
    mischief: Mischief,
    fragment: Vec<u8>,
    segment: Vec<u8>,
}

impl Station {
    /// For sessions of different addresses; it is not connected yet.
    #[must_use]
    pub fn new(sessions: Vec<Session>) -> Self {
        Self {
            links: sessions.into_iter().map(Link::new).collect(),
            parser: Parser::new(),
            connected: false,
            foreign: 0,
            output: Vec::new(),
            outbox: Outbox::default(),
        }
    }

    /// The outstations.
    pub fn sessions(&self) -> impl Iterator<Item = &Session> {
        self.links.iter().map(|link| &link.session)
    }

    /// The outstation of an address.
    #[must_use]
    pub fn session(&self, address: Address) -> Option<&Session> {
        self.sessions().find(|session| session.address() == address)
    }

    /// The outstation of an address, to be changed. Call [`Station::tick`] afterwards.
    pub fn session_mut(&mut self, address: Address) -> Option<&mut Session> {
        self.link(address).map(|link| &mut link.session)
    }

    /// From now on the outstation of an address goes wrong in this way; the default is that it does not.
    pub fn misbehave(&mut self, address: Address, what: Misbehaviour, now: Now) {
        if let Some(link) = self.link(address) {
            link.mischief.set(what, now.monotonic);
        }
    }

    /// What the link layer saw.
    #[must_use]
    pub const fn link_counters(&self) -> link::Counters {
        self.parser.counters()
    }

    /// Frames for addresses that are nobody's here, or that do not come from a master.
    #[must_use]
    pub const fn foreign_frames(&self) -> u64 {
        self.foreign
    }

    /// A connection was made.
    pub fn connected(&mut self, now: Now) {
        self.disconnected();
        self.connected = true;
        self.tick(now);
    }

    /// The connection is gone. What awaited confirmation waits to be asked for again.
    pub fn disconnected(&mut self) {
        self.connected = false;
        self.parser.reset();
        self.output.clear();
        for link in &mut self.links {
            link.reassembly.reset();
            link.mischief.disconnected();
            link.session.disconnected();
        }
    }

    /// What is to be sent. Whoever sends it clears it.
    pub const fn output(&mut self) -> &mut Vec<u8> {
        &mut self.output
    }

    /// Takes in bytes.
    pub fn receive(&mut self, bytes: &[u8], now: Now) {
        if !self.connected {
            return;
        }
        let mut parser = mem::take(&mut self.parser);
        parser.take(bytes);
        while let Some(frame) = parser.next_frame() {
            self.frame(&frame, now);
        }
        self.parser = parser;
    }

    /// Does what time has brought. Call it whenever [`Station::next_deadline`] has come, and after anything else.
    pub fn tick(&mut self, now: Now) {
        if !self.connected {
            return;
        }
        for link in &mut self.links {
            link.session.tick(now, &mut self.outbox);
            link.flush(&mut self.outbox, now, &mut self.output);
            link.misbehave(now, &mut self.output);
        }
    }

    /// When to look again at the latest.
    #[must_use]
    pub fn next_deadline(&self) -> Option<Duration> {
        if !self.connected {
            return None;
        }
        let deadlines = |link: &Link| [link.session.next_deadline(), link.mischief.next_deadline()];
        self.links.iter().flat_map(deadlines).flatten().min()
    }

    fn link(&mut self, address: Address) -> Option<&mut Link> {
        self.links.iter_mut().find(|link| link.session.address() == address)
    }

    fn frame(&mut self, frame: &Frame<'_>, now: Now) {
        let header = frame.header;
        let everybody = header.destination.is_broadcast();
        let mut meant =
            self.links.iter_mut().filter(|l| everybody || l.session.address() == header.destination);
        let mut known = false;
        while header.control.from_master
            && let Some(link) = meant.next()
        {
            known = true;
            link.frame(frame, now, &mut self.outbox);
            if let Some(answer) = link::answer(&header, false) {
                link.send_header(answer, now, &mut self.output);
            }
            link.flush(&mut self.outbox, now, &mut self.output);
        }
        self.foreign += u64::from(!known);
    }
}

impl Link {
    fn new(session: Session) -> Self {
        Self {
            session,
            reassembly: Reassembly::new(MAX_FRAGMENT),
            transport_sequence: transport::Sequence::default(),
            mischief: Mischief::default(),
            fragment: Vec::new(),
            segment: Vec::new(),
        }
    }

    fn frame(&mut self, frame: &Frame<'_>, now: Now, outbox: &mut Outbox) {
        let Header { control, source, destination } = frame.header;
        let Function::Primary(Primary::ConfirmedUserData | Primary::UnconfirmedUserData) = control.function
        else {
            return;
        };
        let Some(fragment) = self.reassembly.take(frame.user_data) else { return };
        if destination.is_broadcast() {
            self.session.receive_broadcast(fragment, destination.number() == MUST_CONFIRM, now);
        } else {
            self.session.receive(fragment, source, now, outbox);
        }
    }

    /// Sends what the session wants sent.
    fn flush(&mut self, outbox: &mut Outbox, now: Now, out: &mut Vec<u8>) {
        if outbox.is_empty() {
            return;
        }
        for (to, fragment) in outbox.letters() {
            let begin = out.len();
            if self.mischief.spoils_fragments() {
                let mut spoilt = mem::take(&mut self.fragment);
                spoilt.clear();
                spoilt.extend_from_slice(fragment);
                self.mischief.spoil_fragment(&mut spoilt, to, now.monotonic);
                self.encode(&spoilt, to, out);
                self.fragment = spoilt;
            } else {
                self.encode(fragment, to, out);
            }
            self.mischief.spoil_frames(out, begin, now.monotonic);
        }
        outbox.clear();
    }

    fn encode(&mut self, fragment: &[u8], to: Address, out: &mut Vec<u8>) {
        let header = Header {
            control: Control::new(false, Function::Primary(Primary::UnconfirmedUserData)),
            destination: to,
            source: self.mischief.source(self.session.address()),
        };
        let mut segments = Segments::of(fragment, self.transport_sequence);
        while segments.next_into(&mut self.segment) {
            link::encode(header, &self.segment, out);
        }
        self.transport_sequence = segments.sequence();
    }

    fn send_header(&mut self, header: Header, now: Now, out: &mut Vec<u8>) {
        let begin = out.len();
        link::encode(Header { source: self.mischief.source(header.source), ..header }, &[], out);
        self.mischief.spoil_frames(out, begin, now.monotonic);
    }

    fn misbehave(&mut self, now: Now, out: &mut Vec<u8>) {
        for (to, fragment) in self.mischief.unasked(self.session.config.master, now.monotonic) {
            self.encode(&fragment, to, out);
        }
        self.mischief.release(out, now.monotonic);
    }
}
