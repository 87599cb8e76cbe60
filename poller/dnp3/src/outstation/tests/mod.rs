//! Stories of an outstation, told in fragments. Vectors from the tests of the opendnp3 project (Apache-2.0), read there, are marked with the name of
//! the file; the others follow from the clauses and were put together by hand.

mod commands;
mod events;
mod fates;
mod misbehaviour;
mod pair;
mod property;
mod reads;
mod station;
mod unsolicited;
mod with_master;

use std::time::Duration;

use super::outbox::Outbox;
use super::*;
use crate::Now;
use crate::link::Address;
use crate::link::tests::hex;
use crate::objects::{Class, Flags, Kind, Timestamp, Value};

const MASTER: Address = Address::from_wire(1);
const OUTSTATION: Address = Address::from_wire(10);
/// 2014-12-28T21:32:21Z, the time of references.md 8.2.
const THEN: u64 = 1_419_802_341_000;

/// The variations that opendnp3 gives points by default, without time, in class 1.
fn plain(kind: Kind) -> PointConfig {
    let variations = match kind {
        Kind::Octets => (0, 0),
        Kind::Binary | Kind::DoubleBit | Kind::BinaryOutput => (2, 1),
        _ => (1, 1),
    };
    PointConfig::of(kind).class(Class::One).variations(variations.0, variations.1)
}

/// So many points of a kind.
fn points(kind: Kind, count: u16) -> Database {
    configured(kind, &(0..count).map(|index| (index, plain(kind))).collect::<Vec<_>>())
}

fn configured(kind: Kind, points: &[(u16, PointConfig)]) -> Database {
    let mut database = Database::new(20);
    for (index, config) in points {
        database.add(kind, *index, *config).unwrap();
    }
    database
}

fn config() -> SessionConfig {
    SessionConfig::new(OUTSTATION, MASTER)
}

fn at(millis: u64) -> Now {
    Now { monotonic: Duration::from_millis(millis), wall: Timestamp::from_millis(THEN + millis) }
}

/// An outstation, what it says as hexadecimal digits, and what time it is.
struct Device {
    session: Session,
    millis: u64,
}

impl Device {
    fn new(database: Database) -> Self {
        Self::of(config(), database)
    }

    fn of(config: SessionConfig, database: Database) -> Self {
        Self { session: Session::new(config, database), millis: 0 }
    }

    fn said(&mut self, act: impl FnOnce(&mut Session, Now, &mut Outbox)) -> Vec<String> {
        let mut out = Outbox::default();
        act(&mut self.session, at(self.millis), &mut out);
        out.letters().map(|(_, fragment)| text(fragment)).collect()
    }

    /// What it says to a fragment.
    fn hears(&mut self, fragment: &str) -> Vec<String> {
        self.said(|session, now, out| session.receive(&hex(fragment), MASTER, now, out))
    }

    fn hears_with_everybody(&mut self, fragment: &str, must_confirm: bool) {
        self.session.receive_broadcast(&hex(fragment), must_confirm, at(self.millis));
    }

    /// What it says when so much time has passed.
    fn after(&mut self, millis: u64) -> Vec<String> {
        self.millis += millis;
        self.said(Session::tick)
    }

    fn set(&mut self, kind: Kind, index: u16, value: Value<'_>) {
        self.session.update(kind, index, value, Flags::ONLINE, at(self.millis)).unwrap();
    }

    fn binary(&mut self, index: u16, on: bool) {
        self.set(Kind::Binary, index, Value::Binary(on));
    }

    fn analog(&mut self, index: u16, value: f64) {
        self.set(Kind::Analog, index, Value::Analog(value));
    }
}

fn text(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(" ")
}
