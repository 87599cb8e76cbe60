//! The master's session: its peer says anything, at any time, and whoever stores its data is slow, fails or repeats itself.
//!
//! Whatever happens, the master sends nothing but what it may ([`judge`]), to none but its own outstations; it confirms nothing that was
//! not stored; it neither spins nor hoards.

mod judge;
mod peer;

use std::time::Duration;

use dnp3::link::Address;
use dnp3::master::{AssociationConfig, ChannelConfig, Classes, EventPoll, TimeSync};
use dnp3::objects::Class;

use crate::script::Script;
use peer::Peer;

/// The master's own address.
const MASTER: Address = Address::from_wire(1);
/// The address of the first outstation; the others follow.
const FIRST: u16 = 10;

/// Takes an input: three bytes of configuration, then what happens.
pub fn run(data: &[u8]) {
    let mut script = Script::new(data);
    let (Some(who), Some(what), Some(storing)) = (script.byte(), script.byte(), script.byte()) else {
        return;
    };
    let configs = (0..=u16::from(who % 3)).map(|i| association(FIRST + i, who >> 2, what)).collect();
    let mut peer = Peer::new(channel(what), configs, storing);
    while step(&mut peer, &mut script).is_some() {}
}

fn channel(what: u8) -> ChannelConfig {
    let mut config = ChannelConfig::new(MASTER);
    if what & 0x10 == 0 {
        config.keep_alive = Duration::ZERO;
    }
    config
}

fn association(number: u16, who: u8, what: u8) -> AssociationConfig {
    let mut config = AssociationConfig::new(Address::from_wire(number), Duration::from_secs(10));
    let classes = [Class::One, Class::Two, Class::Three];
    let wanted: Vec<Class> =
        classes.into_iter().enumerate().filter(|(i, _)| who >> i & 1 != 0).map(|(_, class)| class).collect();
    config.unsolicited = Classes::of(&wanted);
    if who & 0x08 != 0 {
        config
            .event_polls
            .push(EventPoll { classes: Classes::of(&[Class::One]), period: Duration::from_secs(3) });
    }
    if who & 0x10 != 0 {
        config.event_polls.clear();
    }
    config.time_sync = [TimeSync::Never, TimeSync::Lan, TimeSync::NonLan][usize::from(what & 3) % 3];
    config.attributes = what & 0x04 != 0;
    if what & 0x08 == 0 {
        config.clock_period = Duration::ZERO;
    }
    if what & 0x20 != 0 {
        config.integrity_period = Duration::from_secs(60);
    }
    config
}

/// Lets the next thing happen; none at the end. The low half of its byte says what, the high half with whom or how.
fn step(peer: &mut Peer, script: &mut Script<'_>) -> Option<()> {
    let byte = script.byte()?;
    let (index, odd) = (usize::from(byte >> 4 & 3), byte & 0x40 != 0);
    match byte & 0x0F {
        0 => peer.hears_bytes(script.bytes()?, odd),
        1 => peer.hears_response(index, script.bytes()?, 1),
        2 => peer.hears_unsolicited(index, script.bytes()?),
        3 => peer.hears_fragment(index, script.many_bytes()?),
        4 => {
            let times = script.byte()?;
            peer.hears_response(index, script.bytes()?, times.into());
        }
        5 => {
            let (control, destination, source) = (script.byte()?, script.word()?, script.word()?);
            peer.hears_frame(control, destination, source, script.bytes()?);
        }
        6 => peer.waits(script.time()?),
        7 => peer.keeps_deadlines(script.byte()? % 32),
        8 => peer.stores(script.byte()?, true),
        9 => peer.stores(script.byte()?, false),
        10 => peer.reconnects(odd),
        11 => peer.damages(script.word()?, script.byte()?),
        12 => peer.cuts(script.byte()?),
        13 => peer.hears_again(),
        14 => peer.shifts_wall_clock(script.word()?, odd),
        _ => peer.told.storing = script.byte()?,
    }
    Some(())
}
