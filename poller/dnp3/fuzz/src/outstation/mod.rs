//! The outstations' session: the master says anything, at any time, while values change and devices restart.
//!
//! Whatever happens, an outstation sends whole and sound responses of its own and nothing else, no longer than it was told; it keeps its
//! events until they are confirmed and its values whatever it is asked; it neither spins nor hoards.

mod adversary;

use std::time::Duration;

use dnp3::link::Address;
use dnp3::objects::{Class, Kind};
use dnp3::outstation::{Database, Misbehaviour, PointConfig, SessionConfig, UnsolicitedConfig};

use crate::script::Script;
use adversary::Adversary;

/// The master that reports go to.
const MASTER: Address = Address::from_wire(1);
/// The outstations.
const OUTSTATIONS: [Address; 2] = [Address::from_wire(10), Address::from_wire(11)];
/// Points of each kind, and where the second half of them begins.
const POINTS: u16 = 6;
const SECOND_HALF: u16 = 254;

/// Takes an input: two bytes of configuration, then what happens.
pub fn run(data: &[u8]) {
    let mut script = Script::new(data);
    let (Some(how), Some(size)) = (script.byte(), script.byte()) else { return };
    let capacity = usize::from(size >> 4) * 3;
    let mut adversary =
        Adversary::new(capacity, |address| (config(address, how, size), database(how, capacity)));
    while step(&mut adversary, &mut script).is_some() {}
    adversary.ends();
}

fn config(address: Address, how: u8, size: u8) -> SessionConfig {
    let mut config = SessionConfig::new(address, MASTER);
    config.max_fragment = [2048, 249, 60, 4][usize::from(size & 3)];
    config.need_time = how & 0x01 != 0;
    config.unsolicited = (how & 0x02 != 0).then(|| UnsolicitedConfig {
        retries: u32::from(how >> 2 & 3),
        hold: if how & 0x10 == 0 { Duration::ZERO } else { Duration::from_secs(1) },
        hold_count: usize::from(size >> 2 & 3),
        ..UnsolicitedConfig::default()
    });
    config
}

/// Points of every kind, in every class, on both sides of the step from one byte of index to two.
fn database(how: u8, capacity: usize) -> Database {
    let mut database = Database::new(capacity);
    let classes = [None, Some(Class::Zero), Some(Class::One), Some(Class::Two), Some(Class::Three)];
    let configs = Kind::ALL.iter().flat_map(|kind| (0..POINTS).map(move |i| (*kind, i)));
    for (number, (kind, i)) in configs.enumerate() {
        let usual = PointConfig::of(kind);
        let mut config = match (kind, how & 0x20 != 0) {
            (Kind::Binary, true) => usual.variations(1, 3),
            (Kind::DoubleBit, true) => usual.variations(1, 3),
            (Kind::Counter, true) => usual.variations(6, 2),
            (Kind::Analog, true) => usual.variations(4, 4).deadband(2.0),
            (Kind::BinaryOutput, true) => usual.variations(1, 1),
            _ => usual,
        };
        config.class = classes[number % classes.len()];
        database.add(kind, index(i), config).expect("each point once, in a variation of its kind");
    }
    for (variation, text) in [(242, "1.0"), (250, "a model"), (252, &*"a maker ".repeat(31))] {
        database.set_attribute(variation, text);
    }
    database
}

/// The index of a point by its number among its kind.
const fn index(number: u16) -> u16 {
    if number < POINTS / 2 { number } else { SECOND_HALF - POINTS / 2 + number }
}

/// Lets the next thing happen; none at the end. The low half of its byte says what, the high half to whom or how.
fn step(adversary: &mut Adversary, script: &mut Script<'_>) -> Option<()> {
    let byte = script.byte()?;
    let (index, odd) = (usize::from(byte >> 4 & 1), byte & 0x20 != 0);
    match byte & 0x0F {
        0 => adversary.says_bytes(script.bytes()?, odd),
        1 => adversary.says(index, odd, script.bytes()?),
        2 => adversary.asks(index, script.bytes()?),
        3 => adversary.confirms(index),
        4 => adversary.says_to_everybody(script.byte()?, script.bytes()?),
        5 => {
            let (control, destination, source) = (script.byte()?, script.word()?, script.word()?);
            adversary.says_frame(control, destination, source, script.bytes()?);
        }
        6 => adversary.waits(script.time()?),
        7 => adversary.keeps_deadlines(script.byte()? % 32),
        8 => {
            let (which, flags) = (script.byte()?, script.byte()?);
            adversary.changes(index, which, flags, script.bytes()?);
        }
        9 => adversary.restarts(index, odd),
        10 => adversary.reconnects(),
        11 => adversary.damages(script.word()?, script.byte()?),
        12 => adversary.cuts(script.byte()?),
        13 => adversary.says_again(),
        14 => adversary.corrupts(index, misbehaviour(script.byte()?)),
        _ => adversary.troubles(index, script.byte()?, script.time()?),
    }
    Some(())
}

fn misbehaviour(what: u8) -> Misbehaviour {
    let every = Duration::from_millis(u64::from(what >> 4) * 100);
    let mut all = Misbehaviour::default();
    match what & 0x0F {
        0 => {}
        1 => all.silent = true,
        2 => all.late = every,
        3 => all.wrong_sequence = true,
        4 => all.truncated = true,
        5 => all.bad_crc = true,
        6 => all.wrong_source = Some(Address::from_wire(what.into())),
        7 => all.garbage_bytes = what.into(),
        8 => all.drip = Some(every),
        9 => all.flood = Some(every),
        10 => all.endless = Some(every),
        _ => {
            (all.truncated, all.bad_crc, all.garbage_bytes) = (true, true, 20);
            (all.late, all.endless, all.drip) = (every, Some(every), Some(every));
        }
    }
    all
}
