//! Our master and our outstation with a wire between them on which everything is kept, and a time that only the test moves.

use std::time::Duration;

use dnp3::Now;
use dnp3::link::Address;
use dnp3::master::{Arrived, AssociationConfig, Channel, ChannelConfig, Host, Note, Receipt, Token};
use dnp3::objects::Timestamp;
use dnp3::outstation::{Session, Station};

use crate::capture::Sent;
use crate::told::{Told, points};
use crate::variations::{MASTER, OUTSTATION};

/// 2014-12-28T21:32:21Z.
pub(crate) const THEN: u64 = 1_419_802_341_000;

/// Keeps what our master reads, until it is asked for it.
#[derive(Debug, Default)]
pub(crate) struct Keeper {
    pub(crate) read: Vec<Told>,
    pub(crate) unstored: Vec<Token>,
    pub(crate) notes: Vec<Note>,
}

impl Host for Keeper {
    fn arrived(&mut self, arrived: &Arrived<'_>) -> Receipt {
        self.read.extend(points(&arrived.fragment).into_iter().map(|(_, told)| told));
        self.unstored.extend(arrived.token);
        Receipt::WhenStored
    }

    fn note(&mut self, _: Address, note: Note) {
        self.notes.push(note);
    }
}

/// Both ends, the wire and the clock.
pub(crate) struct Wire {
    pub(crate) channel: Channel,
    pub(crate) station: Station,
    pub(crate) keeper: Keeper,
    pub(crate) sent: Vec<Sent>,
    pub(crate) millis: u64,
    /// Number of the connection.
    pub(crate) connection: u16,
    pub(crate) connected: bool,
    /// How much of what should be stored is lost instead: one in so many, never if zero.
    pub(crate) one_lost_of: u32,
    tokens: u32,
}

impl Wire {
    /// Not connected yet.
    pub(crate) fn new(session: Session, association: AssociationConfig) -> Self {
        let config = ChannelConfig { keep_alive: Duration::from_secs(20), ..ChannelConfig::new(MASTER) };
        Self {
            channel: Channel::new(config, vec![association], Duration::ZERO),
            station: Station::new(vec![session]),
            keeper: Keeper::default(),
            sent: vec![],
            millis: 0,
            connection: 0,
            connected: false,
            one_lost_of: 0,
            tokens: 0,
        }
    }

    pub(crate) fn now(&self) -> Now {
        Now {
            monotonic: Duration::from_millis(self.millis),
            wall: Timestamp::from_millis(THEN + self.millis),
        }
    }

    pub(crate) fn session(&mut self) -> &mut Session {
        self.station.session_mut(OUTSTATION).unwrap()
    }

    pub(crate) fn connect(&mut self) {
        self.connection += 1;
        self.channel.connected(self.now());
        self.station.connected(self.now());
        self.connected = true;
    }

    pub(crate) fn cut(&mut self) {
        self.channel.disconnected(&mut self.keeper);
        self.station.disconnected();
        self.connected = false;
    }

    /// Somebody else speaks for one of the two.
    pub(crate) fn inject(&mut self, from_master: bool, bytes: &[u8]) {
        self.keep(from_master, bytes);
        if from_master {
            self.station.receive(bytes, self.now());
        } else {
            self.channel.receive(bytes, self.now(), &mut self.keeper);
        }
        if self.connected {
            self.talk();
        }
    }

    fn keep(&mut self, from_master: bool, bytes: &[u8]) {
        let at = THEN + self.millis;
        self.sent.push(Sent { at, from_master, connection: self.connection, bytes: bytes.to_vec() });
    }

    /// Lets both talk until neither has anything to say at this instant.
    ///
    /// # Panics
    /// When they do not come to an end: a wire without delay would be flooded.
    fn talk(&mut self) {
        let mut turns = 0;
        while self.settle() {
            turns += 1;
            assert!(turns < 1_000, "they do not come to an end");
        }
    }

    /// Whatever is to be said and stored now; returns whether there was anything.
    fn settle(&mut self) -> bool {
        self.channel.tick(self.now(), &mut self.keeper);
        self.station.tick(self.now());
        if self.channel.close_reason().is_some() {
            self.cut();
        }
        let there = std::mem::take(self.channel.output());
        let back = std::mem::take(self.station.output());
        let unstored = std::mem::take(&mut self.keeper.unstored);
        let any = !(there.is_empty() && back.is_empty() && unstored.is_empty());
        if !there.is_empty() {
            self.keep(true, &there);
            self.station.receive(&there, self.now());
        }
        if !back.is_empty() {
            self.keep(false, &back);
            self.channel.receive(&back, self.now(), &mut self.keeper);
        }
        for token in unstored {
            self.tokens += 1;
            let lost = self.one_lost_of > 0 && self.tokens.is_multiple_of(self.one_lost_of);
            self.channel.stored(token, !lost, self.now(), &mut self.keeper);
        }
        any
    }

    /// Lets so much time pass, connected again as often as it must be.
    pub(crate) fn run(&mut self, millis: u64) {
        let end = self.millis + millis;
        loop {
            if !self.connected {
                self.connect();
            }
            self.talk();
            let next = [self.channel.next_deadline(self.now().monotonic), self.station.next_deadline()];
            let next = next.into_iter().flatten().min().unwrap_or(Duration::MAX);
            let next = u64::try_from(next.as_millis()).unwrap_or(u64::MAX).saturating_add(1);
            self.millis = next.max(self.millis + 1).min(end);
            if self.millis == end {
                return;
            }
        }
    }
}
