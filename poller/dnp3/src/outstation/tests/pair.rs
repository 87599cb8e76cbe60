//! Our master and our outstation, in memory, with a time that only the test moves.

use std::collections::BTreeMap;

use super::*;
use crate::master::{Arrived, AssociationConfig, Channel, ChannelConfig, Host, Note, Receipt, Task, Token};
use crate::objects::Points;

/// Keeps what arrives; stores it when it is told to.
#[derive(Debug, Default)]
pub(super) struct Keeper {
    /// By the value of the event: how often it arrived.
    pub(super) arrived: BTreeMap<u32, u32>,
    pub(super) stored: BTreeMap<u32, u32>,
    unstored: Vec<(Token, Vec<u32>)>,
    pub(super) present: BTreeMap<(Kind, u16), String>,
    pub(super) notes: Vec<Note>,
    pub(super) tasks: Vec<Option<Task>>,
}

impl Host for Keeper {
    fn arrived(&mut self, arrived: &Arrived<'_>) -> Receipt {
        let mut events = vec![];
        for block in arrived.fragment.blocks().map(Result::unwrap) {
            for point in Points::of(&block, None) {
                match point.value {
                    Value::Counter(number) if point.event => events.push(number),
                    value => drop(self.present.insert((point.kind, point.index), format!("{value:?}"))),
                }
            }
        }
        self.tasks.push(arrived.task);
        events.iter().for_each(|event| *self.arrived.entry(*event).or_default() += 1);
        match arrived.token {
            Some(token) => {
                self.unstored.push((token, events));
                Receipt::WhenStored
            }
            None => {
                assert!(events.is_empty(), "events always ask for a confirmation");
                Receipt::Now
            }
        }
    }

    fn note(&mut self, _: Address, note: Note) {
        self.notes.push(note);
    }
}

/// Both ends and the wire between them.
pub(super) struct Pair {
    channel: Channel,
    pub(super) station: Station,
    pub(super) keeper: Keeper,
    pub(super) millis: u64,
    pub(super) connected: bool,
    to_station: Vec<u8>,
    to_channel: Vec<u8>,
    /// Events are numbered by their values.
    pub(super) made: u32,
    /// Those that the outstation has let go.
    pub(super) let_go: Vec<u32>,
}

impl Pair {
    pub(super) fn new(session: SessionConfig, database: Database, association: AssociationConfig) -> Self {
        let channel = Channel::new(ChannelConfig::new(MASTER), vec![association], Duration::ZERO);
        let station = Station::new(vec![Session::new(session, database)]);
        let mut pair = Self {
            channel,
            station,
            keeper: Keeper::default(),
            millis: 0,
            connected: false,
            to_station: vec![],
            to_channel: vec![],
            made: 0,
            let_go: vec![],
        };
        pair.connect();
        pair
    }

    pub(super) fn connect(&mut self) {
        self.channel.connected(at(self.millis));
        self.station.connected(at(self.millis));
        self.connected = true;
        self.settle();
    }

    pub(super) fn cut(&mut self) {
        self.channel.disconnected(&mut self.keeper);
        self.station.disconnected();
        self.connected = false;
        self.to_station.clear();
        self.to_channel.clear();
    }

    pub(super) fn session(&mut self) -> &mut Session {
        self.station.session_mut(OUTSTATION).unwrap()
    }

    /// An event whose value is its number.
    pub(super) fn happens(&mut self) {
        self.made += 1;
        let (made, now) = (self.made, at(self.millis));
        let index = u16::try_from(made % 3).unwrap();
        self.session().update(Kind::Counter, index, Value::Counter(made), Flags::ONLINE, now).unwrap();
        self.settle();
    }

    pub(super) fn store(&mut self) {
        for (token, events) in std::mem::take(&mut self.keeper.unstored) {
            events.iter().for_each(|event| *self.keeper.stored.entry(*event).or_default() += 1);
            self.channel.stored(token, true, at(self.millis), &mut self.keeper);
        }
        self.settle();
    }

    /// Lets both do what is to be done now, and checks what must always hold.
    fn settle(&mut self) {
        self.channel.tick(at(self.millis), &mut self.keeper);
        self.station.tick(at(self.millis));
        self.to_station.append(self.channel.output());
        self.to_channel.append(self.station.output());
        if self.connected && self.channel.close_reason().is_some() {
            self.cut();
        }
        let waiting: Vec<u32> = self
            .session()
            .database
            .events
            .iter()
            .map(|event| match event.held.value() {
                Value::Counter(number) => number,
                _ => panic!(),
            })
            .collect();
        for number in (1..=self.made).filter(|n| !waiting.contains(n)) {
            assert!(self.keeper.stored.contains_key(&number), "{number} was let go before it was stored");
            if !self.let_go.contains(&number) {
                self.let_go.push(number);
            }
        }
    }

    /// So many bytes go each way, if there are as many.
    pub(super) fn carry(&mut self, there: usize, back: usize) {
        let piece: Vec<u8> = self.to_station.drain(..there.min(self.to_station.len())).collect();
        self.station.receive(&piece, at(self.millis));
        let piece: Vec<u8> = self.to_channel.drain(..back.min(self.to_channel.len())).collect();
        let before = self.keeper.arrived.clone();
        self.channel.receive(&piece, at(self.millis), &mut self.keeper);
        for number in &self.let_go {
            assert_eq!(
                before.get(number),
                self.keeper.arrived.get(number),
                "{number} came again after it was let go"
            );
        }
        self.settle();
    }

    pub(super) fn wait(&mut self, millis: u64) {
        self.millis += millis;
        self.settle();
    }

    /// All goes well for so long: everything arrives at once and is stored at once.
    pub(super) fn run(&mut self, millis: u64) {
        let end = self.millis + millis;
        loop {
            if !self.connected {
                self.connect();
            }
            while !self.to_station.is_empty()
                || !self.to_channel.is_empty()
                || !self.keeper.unstored.is_empty()
            {
                self.carry(usize::MAX, usize::MAX);
                self.store();
            }
            let next = [self.channel.next_deadline(at(self.millis).monotonic), self.station.next_deadline()];
            let next = next
                .into_iter()
                .flatten()
                .min()
                .map_or(end, |next| u64::try_from(next.as_millis()).unwrap() + 1);
            if next >= end {
                self.wait(end - self.millis);
                return;
            }
            self.wait(next.max(self.millis + 1) - self.millis);
        }
    }

    pub(super) fn failures(&self) -> Vec<&Note> {
        self.keeper
            .notes
            .iter()
            .filter(|note| matches!(note, Note::Failed { .. } | Note::Unreadable(_)))
            .collect()
    }
}

pub(super) fn counters() -> Database {
    let mut database = Database::new(1_000);
    (0..3).for_each(|i| {
        database.add(Kind::Counter, i, PointConfig::of(Kind::Counter).class(Class::Two)).unwrap();
    });
    database
}

pub(super) fn association() -> AssociationConfig {
    AssociationConfig::new(OUTSTATION, Duration::from_secs(10))
}

pub(super) fn reporting() -> SessionConfig {
    SessionConfig { unsolicited: Some(UnsolicitedConfig::default()), ..config() }
}
