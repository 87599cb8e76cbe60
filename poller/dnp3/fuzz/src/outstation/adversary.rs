//! Everything around a station: the master, what changes values, the clock, and the judge of what is sent.

use std::collections::BTreeMap;
use std::time::Duration;

use dnp3::Now;
use dnp3::application::{Fragment, Function, Indications, MAX_FRAGMENT};
use dnp3::link::{self, Address, Header};
use dnp3::objects::{DoubleBit, Flags, Kind, Points, Timestamp, Value};
use dnp3::outstation::{Database, Misbehaviour, Restart, Session, SessionConfig, Station};
use dnp3::transport;

use super::{MASTER, OUTSTATIONS, POINTS, index};
use crate::memory::Meter;
use crate::wire::{self, Listener};

/// Longest piece that a connection hands over at once, bytes.
const PIECE: usize = 2_560;
/// What a session may keep beside its points: the longest READ as a plan of what is asked for, a few fragments, and events.
const MOST_HELD: usize = 256 * 1024;
/// A fragment of the greatest length on the wire, at most, bytes.
const FRAGMENT_WIRE: usize = (MAX_FRAGMENT / 249 + 1) * link::MAX_FRAME;
/// Control, function, indications.
const HEADER: usize = 4;
/// The longest single object with its header and the common time before it, bytes.
const ONE_OBJECT: usize = 300;

pub(super) struct Adversary {
    station: Station,
    meter: Meter,
    /// What was held before anything happened.
    held_at_first: isize,
    max_fragment: usize,
    capacity: usize,
    listener: Listener,
    /// The control byte that confirms what each outstation sent last.
    owed: [u8; 2],
    sequence: u8,
    transport: transport::Sequence,
    time: Duration,
    wall: Timestamp,
    damage: Option<(u16, u8)>,
    piece: usize,
    last: Vec<u8>,
    /// What was written into each point, as far as anything was.
    values: BTreeMap<(usize, u8, u16), (Value<'static>, Flags)>,
    /// How the outstations go wrong now.
    wrong: [Misbehaviour; 2],
    /// Something went wrong on this connection, and may still be under way.
    crooked: bool,
    /// Something has gone wrong: what the drills keep is not bounded.
    was_crooked: bool,
}

impl Adversary {
    pub(super) fn new(capacity: usize, make: impl Fn(Address) -> (SessionConfig, Database)) -> Self {
        let mut meter = Meter::default();
        let mut max_fragment = 0;
        let mut session = |address| {
            let (config, database) = make(address);
            max_fragment = config.max_fragment;
            Session::new(config, database)
        };
        let station = meter.count(|| Station::new(OUTSTATIONS.map(&mut session).into()));
        let mut adversary = Self {
            station,
            held_at_first: meter.held(),
            meter,
            max_fragment,
            capacity,
            listener: Listener::new(&OUTSTATIONS),
            owed: [0xC0; 2],
            sequence: 0,
            transport: transport::Sequence::default(),
            time: Duration::from_secs(100),
            // 2014-12-28T21:32:21Z
            wall: Timestamp::from_millis(1_419_802_341_000),
            damage: None,
            piece: PIECE,
            last: vec![],
            values: BTreeMap::new(),
            wrong: [Misbehaviour::default(); 2],
            crooked: false,
            was_crooked: false,
        };
        adversary.reconnects();
        adversary
    }

    pub(super) fn says_bytes(&mut self, bytes: &[u8], repair: bool) {
        let wire = if repair { wire::repaired(bytes) } else { bytes.to_vec() };
        self.sends(wire);
    }

    /// Any fragment, from the master or from a second one.
    pub(super) fn says(&mut self, index: usize, second: bool, fragment: &[u8]) {
        let from = if second { Address::from_wire(2) } else { MASTER };
        self.transport = self.transport.next();
        self.sends(wire::frames(wire::user_data(true, from, OUTSTATIONS[index]), fragment, self.transport));
    }

    /// A function with objects, under the next number.
    pub(super) fn asks(&mut self, index: usize, request: &[u8]) {
        self.sequence = (self.sequence + 1) % 16;
        self.says(index, false, &[&[0xC0 | self.sequence], request].concat());
    }

    /// Confirms what the outstation sent last.
    pub(super) fn confirms(&mut self, index: usize) {
        self.says(index, false, &[self.owed[index], 0]);
    }

    pub(super) fn says_to_everybody(&mut self, which: u8, fragment: &[u8]) {
        let everybody = Address::from_wire(0xFFFD + u16::from(which % 3));
        self.transport = self.transport.next();
        self.sends(wire::frames(wire::user_data(true, MASTER, everybody), fragment, self.transport));
    }

    pub(super) fn says_frame(&mut self, control: u8, destination: u16, source: u16, user_data: &[u8]) {
        let header = Header {
            control: link::Control::from_byte(control),
            destination: Address::from_wire(destination),
            source: Address::from_wire(source),
        };
        let mut wire = vec![];
        link::encode(header, &user_data[..user_data.len().min(link::MAX_USER_DATA)], &mut wire);
        self.sends(wire);
    }

    pub(super) fn says_again(&mut self) {
        self.sends(self.last.clone());
    }

    /// One byte of what is said next is changed.
    pub(super) const fn damages(&mut self, place: u16, change: u8) {
        self.damage = Some((place, change));
    }

    /// From now on everything comes in pieces of this length.
    pub(super) fn cuts(&mut self, piece: u8) {
        self.piece = if piece == 0 { PIECE } else { piece.into() };
    }

    pub(super) fn waits(&mut self, time: Duration) {
        self.time += time;
        self.wall = self.wall.plus(u64::try_from(time.as_millis()).unwrap_or(0));
        self.ticks();
    }

    /// Time passes to each deadline in turn, as for a task that sleeps until then.
    pub(super) fn keeps_deadlines(&mut self, count: u8) {
        for _ in 0..count {
            let Some(at) = self.station.next_deadline() else { return };
            self.waits(at.saturating_sub(self.time));
        }
    }

    /// A point gets a value.
    pub(super) fn changes(&mut self, session: usize, which: u8, flags: u8, bytes: &[u8]) {
        let kind = Kind::ALL[usize::from(which) % Kind::ALL.len()];
        let index = index(u16::from(which) / 9 % POINTS);
        let mut wide = [0; 8];
        let taken = bytes.len().min(8);
        wide[..taken].copy_from_slice(&bytes[..taken]);
        let (first, number) = (wide[0], f64::from_le_bytes(wide));
        let value = match kind {
            Kind::Binary | Kind::BinaryOutput => Value::Binary(first & 1 != 0),
            Kind::DoubleBit => Value::DoubleBit(DoubleBit::from_bits(first)),
            Kind::Counter | Kind::FrozenCounter => {
                Value::Counter(u32::from_le_bytes([wide[0], wide[1], wide[2], wide[3]]))
            }
            Kind::Analog | Kind::FrozenAnalog | Kind::AnalogOutput => Value::Analog(number),
            Kind::Octets => Value::Octets(bytes),
        };
        let (now, flags) = (self.now(), Flags(flags));
        let session_of = |station: &mut Station| {
            station
                .session_mut(OUTSTATIONS[session])
                .expect("it is there")
                .update(kind, index, value, flags, now)
        };
        self.meter.count(|| session_of(&mut self.station)).expect("the point is there and of this kind");
        if let Some(kept) = plain(value) {
            self.values.insert((session, kind as u8, index), (kept, flags));
        }
        self.ticks();
    }

    pub(super) fn restarts(&mut self, index: usize, keeps: bool) {
        let restart = if keeps { Restart::KeepEvents } else { Restart::LoseEvents };
        let before = self.events();
        self.meter
            .count(|| self.station.session_mut(OUTSTATIONS[index]).expect("it is there").restart(restart));
        let expected = if keeps { before[index] } else { 0 };
        assert_eq!(self.events()[index], expected);
        self.ticks();
    }

    pub(super) fn reconnects(&mut self) {
        self.meter.count(|| self.station.disconnected());
        assert_eq!(self.station.next_deadline(), None);
        let now = self.now();
        self.meter.count(|| self.station.tick(now));
        self.meter.count(|| self.station.receive(&[0x05, 0x64], now));
        assert!(self.station.output().is_empty(), "nothing is said without a connection");
        self.listener.reset();
        self.crooked = self.wrong != [Misbehaviour::default(); 2];
        self.meter.count(|| self.station.connected(now));
        self.judges(OUTSTATIONS.len());
    }

    /// From now on an outstation goes wrong.
    pub(super) fn corrupts(&mut self, index: usize, what: Misbehaviour) {
        self.wrong[index] = what;
        self.crooked |= what != Misbehaviour::default();
        self.was_crooked |= self.crooked;
        let now = self.now();
        self.station.misbehave(OUTSTATIONS[index], what, now);
        self.ticks();
    }

    /// Other things that happen to a device.
    pub(super) fn troubles(&mut self, index: usize, what: u8, time: Duration) {
        let session = self.station.session_mut(OUTSTATIONS[index]).expect("it is there");
        let millis = i64::try_from(time.as_millis()).unwrap_or(i64::MAX);
        match what % 4 {
            0 => session.need_time(),
            1 => session.set_clock_offset(millis),
            2 => session.set_clock_offset(-millis),
            _ => session.set_condition(Indications::from_bytes([what, what])),
        }
        self.ticks();
    }

    /// Nothing that a master says changes a value.
    pub(super) fn ends(&self) {
        for ((session, kind, index), (value, flags)) in &self.values {
            let session = self.station.session(OUTSTATIONS[*session]).expect("it is there");
            let point = session.database().point(Kind::ALL[usize::from(*kind)], *index).expect("it is there");
            let same = match (point.value, *value) {
                (Value::Analog(now), Value::Analog(then)) => now.to_bits() == then.to_bits(),
                (now, then) => now == then,
            };
            assert!(same && point.flags == Some(*flags), "{point:?} was {value:?}");
        }
    }

    const fn now(&self) -> Now {
        Now { monotonic: self.time, wall: self.wall }
    }

    fn events(&self) -> [usize; 2] {
        OUTSTATIONS
            .map(|address| self.station.session(address).expect("it is there").database().waiting_events())
    }

    fn ticks(&mut self) {
        let (now, before) = (self.now(), self.events());
        self.meter.count(|| self.station.tick(now));
        assert_eq!(self.events(), before, "time alone loses no events");
        self.judges(2 * OUTSTATIONS.len());
        let spins = self.station.next_deadline().is_some_and(|at| at <= self.time);
        assert!(!spins || self.crooked, "what is due has been done");
    }

    fn sends(&mut self, mut wire: Vec<u8>) {
        if let Some((place, change)) = self.damage.take()
            && let Some(byte) = wire.get_mut(usize::from(place))
        {
            *byte ^= change;
        }
        for piece in wire.chunks(self.piece) {
            self.sends_piece(piece);
            self.ticks();
        }
        self.last = wire;
    }

    fn sends_piece(&mut self, piece: &[u8]) {
        let mut confirms = [false; 2];
        self.listener.hear(
            piece,
            |header, address| {
                header.control.from_master
                    && (header.destination == address || header.destination.is_broadcast())
            },
            |address, _, fragment| {
                let confirmed = &mut confirms[usize::from(address == OUTSTATIONS[1])];
                *confirmed |= fragment.function == Function::Confirm;
            },
        );
        let (now, before) = (self.now(), self.events());
        self.meter.count(|| self.station.receive(piece, now));
        for ((after, before), confirmed) in self.events().iter().zip(before).zip(confirms) {
            assert!(*after == before || confirmed && *after < before, "events go when they are confirmed");
        }
        // the shortest frame that says something is 15 bytes; part of the first may have come before
        self.judges(2 * (piece.len() + link::MAX_FRAME).div_ceil(15));
    }

    /// Takes what is to be sent, of so many fragments at most, and checks it.
    fn judges(&mut self, most: usize) {
        let sent = self.meter.count(|| std::mem::take(self.station.output()));
        if self.crooked {
            self.meter.count(|| drop(sent));
            return;
        }
        assert!(sent.len() <= most * FRAGMENT_WIRE, "{} bytes to be sent", sent.len());
        let mut listener = Listener::new(&OUTSTATIONS);
        let (owed, max_fragment) = (&mut self.owed, self.max_fragment);
        wire::for_each_frame(&sent, |frame| {
            assert!(!frame.header.control.from_master && OUTSTATIONS.contains(&frame.header.source));
            match frame.header.control.function {
                link::Function::Secondary(_) => assert!(frame.user_data.is_empty()),
                link::Function::Primary(link::Primary::UnconfirmedUserData) => {}
                other => panic!("an outstation does not send {other:?}"),
            }
        });
        let mut fragments = 0;
        listener.hear(
            &sent,
            |header, address| header.source == address,
            |address, header, fragment| {
                fragments += 1;
                judge(header, fragment, max_fragment);
                if fragment.control.confirm {
                    let control = fragment.control.byte();
                    owed[usize::from(address == OUTSTATIONS[1])] = 0xC0 | control & 0x1F;
                }
            },
        );
        assert!(fragments <= most, "{fragments} fragments, at most {most} promised");
        self.meter.count(|| drop(sent));
        if !self.was_crooked {
            let most = self.held_at_first.unsigned_abs() + OUTSTATIONS.len() * MOST_HELD;
            self.meter.check(most);
        }
        assert!(self.events().iter().all(|events| *events <= self.capacity));
    }
}

/// What an outstation may say.
fn judge(header: &Header, fragment: &Fragment<'_>, max_fragment: usize) {
    let control = fragment.control;
    match fragment.function {
        Function::Response => assert!(!control.unsolicited),
        Function::Unsolicited => {
            assert!(control.unsolicited && control.confirm && control.first && control.last);
            assert_eq!(header.destination, MASTER);
        }
        other => panic!("an outstation does not say {other:?}"),
    }
    assert!(control.last || control.confirm, "more follows when this is confirmed");
    let length = HEADER + fragment.objects.len();
    assert!(length <= max_fragment.max(HEADER + ONE_OBJECT), "{length} bytes");
    for block in fragment.blocks() {
        let block = block.expect("a sound block");
        let count = Points::of(&block, None).count() + block.attributes().count();
        assert!(count == 0 || count == usize::try_from(block.count).expect("a few"), "{block:?}");
    }
}

/// A value that can be kept here.
const fn plain(value: Value<'_>) -> Option<Value<'static>> {
    Some(match value {
        Value::Binary(on) => Value::Binary(on),
        Value::DoubleBit(state) => Value::DoubleBit(state),
        Value::Counter(count) => Value::Counter(count),
        Value::Analog(number) => Value::Analog(number),
        Value::Octets(_) => return None,
    })
}
