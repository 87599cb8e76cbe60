//! Everything around a master: the peer, whoever stores, the clock, and a record of what may be confirmed.

use std::hash::{DefaultHasher, Hash, Hasher};
use std::time::Duration;

use dnp3::application::{Function, MAX_FRAGMENT, Sequence};
use dnp3::link::{self, Address};
use dnp3::master::{Arrived, AssociationConfig, Channel, ChannelConfig, Host, Note, Now, Receipt, Token};
use dnp3::objects::{Points, Timestamp};
use dnp3::transport;

use super::judge::{Sent, judge};
use super::{FIRST, MASTER};
use crate::memory::Meter;
use crate::wire::{self, Listener};

/// Longest piece that a connection hands over at once, bytes.
const PIECE: usize = 2_560;
/// What a channel with three outstations may keep: its configuration, a piece in the parser, a fragment under way for each outstation and a
/// piece's worth of answers, each in a vector that has doubled.
const MOST_HELD: usize = 32 * 1024;
/// The longest request with its frame, bytes.
const REQUEST: usize = 10 + 1 + 14 + 2;
/// A confirmation with its frame, bytes.
const CONFIRM: usize = 10 + 1 + 2 + 2;

/// A fragment that asked for a confirmation, or could have: from whom, of what number, and its content.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Letter {
    from: Address,
    unsolicited: bool,
    sequence: u8,
    content: u64,
    empty: bool,
}

impl Letter {
    fn of(from: Address, fragment: &dnp3::application::Fragment<'_>) -> Self {
        let mut hasher = DefaultHasher::new();
        fragment.objects.hash(&mut hasher);
        Self {
            from,
            unsolicited: fragment.function == Function::Unsolicited,
            sequence: fragment.control.sequence.number(),
            content: hasher.finish(),
            empty: fragment.objects.is_empty(),
        }
    }
}

/// What was promised to be stored.
#[derive(Debug)]
struct Promise {
    token: Token,
    letter: Letter,
    /// It can still lead to a confirmation: nobody said yet what became of it, and its connection is still there.
    open: bool,
}

/// Whoever stores: an arrival may be confirmed at once when its bit of `storing` is set.
#[derive(Debug)]
pub(super) struct Told {
    pub(super) storing: u8,
    arrivals: u32,
    told: usize,
    safe_now: Vec<Letter>,
    promised: Vec<(Token, Letter)>,
}

impl Host for Told {
    fn arrived(&mut self, arrived: &Arrived<'_>) -> Receipt {
        let fragment = &arrived.fragment;
        assert!((FIRST..FIRST + 3).contains(&arrived.outstation.number()));
        assert!(!fragment.objects.is_empty() && fragment.objects.len() <= MAX_FRAGMENT);
        assert_eq!(arrived.task.is_none(), fragment.function == Function::Unsolicited);
        assert_eq!(arrived.token.is_some(), fragment.control.confirm);
        let values: usize =
            fragment.blocks().map_while(Result::ok).map(|b| Points::of(&b, None).count()).sum();
        assert!(values <= 8 * fragment.objects.len());

        let letter = Letter::of(arrived.outstation, fragment);
        let now = self.storing >> (self.arrivals % 8) & 1 != 0;
        self.arrivals += 1;
        self.told += 1;
        if now {
            self.safe_now.push(letter);
            return Receipt::Now;
        }
        self.promised.extend(arrived.token.map(|token| (token, letter)));
        Receipt::WhenStored
    }

    fn note(&mut self, outstation: Address, note: Note) {
        assert!((FIRST..FIRST + 3).contains(&outstation.number()));
        if let Note::Failed { failure, .. } = note {
            assert!(!failure.to_string().is_empty());
        }
        self.told += 1;
    }
}

#[derive(Debug)]
pub(super) struct Peer {
    channel: Channel,
    configs: Vec<AssociationConfig>,
    pub(super) told: Told,
    meter: Meter,
    listener: Listener,
    /// The number of the last request to each outstation.
    asked: [u8; 3],
    promises: Vec<Promise>,
    /// Unsolicited letters of this connection that were stored.
    safe: Vec<Letter>,
    time: Duration,
    wall: Timestamp,
    transport: transport::Sequence,
    damage: Option<(u16, u8)>,
    piece: usize,
    last: Vec<u8>,
}

impl Peer {
    pub(super) fn new(config: ChannelConfig, configs: Vec<AssociationConfig>, storing: u8) -> Self {
        let mut meter = Meter::default();
        let time = Duration::from_secs(100);
        let channel = meter.count(|| Channel::new(config, configs.clone(), time));
        let addresses: Vec<Address> = configs.iter().map(|c| c.outstation).collect();
        // room for all that one piece can bring, so that nothing of ours is counted as the channel's
        let (safe_now, promised) = (Vec::with_capacity(512), Vec::with_capacity(512));
        let mut peer = Self {
            channel,
            configs,
            told: Told { storing, arrivals: 0, told: 0, safe_now, promised },
            meter,
            listener: Listener::new(&addresses),
            asked: [0; 3],
            promises: vec![],
            safe: vec![],
            time,
            // 2014-12-28T21:32:21Z
            wall: Timestamp::from_millis(1_419_802_341_000),
            transport: transport::Sequence::default(),
            damage: None,
            piece: PIECE,
            last: vec![],
        };
        peer.connects();
        peer
    }

    pub(super) fn hears_bytes(&mut self, bytes: &[u8], repair: bool) {
        let wire = if repair { wire::repaired(bytes) } else { bytes.to_vec() };
        self.hears(wire);
    }

    /// A response with the number that is awaited, plus the low half of its first byte; its objects so many times.
    pub(super) fn hears_response(&mut self, index: usize, bytes: &[u8], times: usize) {
        let Some((&[control, first, second], objects)) = bytes.split_first_chunk::<3>() else { return };
        let sequence = Sequence::new(self.asked[index.min(2)].wrapping_add(control)).number();
        let mut fragment = vec![control & 0xF0 | sequence, 129, first, second];
        let times = times.min(MAX_FRAGMENT / objects.len().max(1));
        (0..times).for_each(|_| fragment.extend_from_slice(objects));
        self.hears_fragment(index, &fragment);
    }

    pub(super) fn hears_unsolicited(&mut self, index: usize, bytes: &[u8]) {
        let Some((control, rest)) = bytes.split_first() else { return };
        self.hears_fragment(index, &[&[*control, 130], rest].concat());
    }

    pub(super) fn hears_fragment(&mut self, index: usize, fragment: &[u8]) {
        let from = Address::from_wire(FIRST + u16::try_from(index).unwrap_or(0));
        self.transport = self.transport.next();
        self.hears(wire::frames(wire::user_data(false, from, MASTER), fragment, self.transport));
    }

    pub(super) fn hears_frame(&mut self, control: u8, destination: u16, source: u16, user_data: &[u8]) {
        let header = link::Header {
            control: link::Control::from_byte(control),
            destination: Address::from_wire(destination),
            source: Address::from_wire(source),
        };
        let mut wire = vec![];
        link::encode(header, &user_data[..user_data.len().min(link::MAX_USER_DATA)], &mut wire);
        self.hears(wire);
    }

    pub(super) fn hears_again(&mut self) {
        self.hears(self.last.clone());
    }

    /// One byte of what is heard next is changed.
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
            let Some(at) = self.channel.next_deadline(self.time) else { return };
            self.waits(at.saturating_sub(self.time));
        }
    }

    /// The wall clock jumps by so many minutes.
    pub(super) fn shifts_wall_clock(&mut self, minutes: u16, back: bool) {
        let millis = u64::from(minutes) * 60_000;
        let shifted =
            if back { self.wall.millis().wrapping_sub(millis) } else { self.wall.millis() + millis };
        self.wall = Timestamp::from_millis(shifted);
    }

    /// Whoever stores says that something was stored, or lost; perhaps not for the first time.
    pub(super) fn stores(&mut self, which: u8, stored: bool) {
        let Some(place) = self.promises.len().checked_sub(1 + usize::from(which)) else { return };
        let (token, now) = (self.promises[place].token, self.now());
        self.meter.count(|| self.channel.stored(token, stored, now, &mut self.told));
        let promise = &mut self.promises[place];
        let (letter, was_open) = (promise.letter, promise.open);
        promise.open = false;
        if stored && was_open && letter.unsolicited {
            self.safe.push(letter);
        }
        let mut confirmed = 0;
        self.judges(CONFIRM, |from, sequence, unsolicited| {
            confirmed += 1;
            assert!(stored && was_open, "what was lost, or settled before, is not confirmed");
            assert_eq!((from, sequence, unsolicited), (letter.from, letter.sequence, letter.unsolicited));
        });
        assert!(confirmed <= 1);
    }

    pub(super) fn reconnects(&mut self, ticks: bool) {
        self.meter.count(|| self.channel.disconnected(&mut self.told));
        assert_eq!(self.channel.next_deadline(self.time), None);
        if ticks {
            let now = self.now();
            self.meter.count(|| self.channel.tick(now, &mut self.told));
        }
        assert!(self.channel.output().is_empty(), "nothing is said without a connection");
        self.connects();
    }

    fn connects(&mut self) {
        let now = self.now();
        self.listener.reset();
        self.safe.clear();
        self.promises.iter_mut().for_each(|promise| promise.open = false);
        self.meter.count(|| self.channel.connected(now));
        assert_eq!(self.channel.close_reason(), None);
        self.ticks();
    }

    const fn now(&self) -> Now {
        Now { monotonic: self.time, wall: self.wall }
    }

    fn ticks(&mut self) {
        let now = self.now();
        self.told.told = 0;
        self.meter.count(|| self.channel.tick(now, &mut self.told));
        assert!(self.told.told <= 2 * self.configs.len() + 1);
        let most = REQUEST + 10 * self.configs.len();
        self.judges(most, |_, _, _| panic!("time alone confirms nothing"));
        let next = self.channel.next_deadline(self.time);
        let spins = next.is_some_and(|at| at <= self.time);
        assert!(!spins || self.channel.close_reason().is_some(), "what is due has been done");
    }

    fn hears(&mut self, mut wire: Vec<u8>) {
        if let Some((place, change)) = self.damage.take()
            && let Some(byte) = wire.get_mut(usize::from(place))
        {
            *byte ^= change;
        }
        for piece in wire.chunks(self.piece) {
            self.hears_piece(piece);
            self.ticks();
            if self.channel.close_reason().is_some() {
                self.reconnects(false);
                break;
            }
        }
        self.last = wire;
    }

    fn hears_piece(&mut self, piece: &[u8]) {
        let mut heard: Vec<Letter> = vec![];
        self.listener.hear(
            piece,
            |header, address| {
                header.source == address && header.destination == MASTER && !header.control.from_master
            },
            |from, _, fragment| {
                let answers = matches!(fragment.function, Function::Response | Function::Unsolicited);
                if answers && fragment.control.confirm {
                    heard.push(Letter::of(from, fragment));
                }
            },
        );
        let now = self.now();
        self.told.told = 0;
        self.meter.count(|| self.channel.receive(piece, now, &mut self.told));
        // the shortest frame is 10 bytes; part of the first may have come before
        let most = piece.len() + link::MAX_FRAME;
        assert!(self.told.told <= most, "{} things told of {} bytes", self.told.told, piece.len());

        let mut safe_now = std::mem::take(&mut self.told.safe_now);
        self.safe.extend(safe_now.iter().filter(|letter| letter.unsolicited));
        let safe = self.safe.clone();
        // each letter is confirmed once at most
        self.judges(3 * most, |from, sequence, unsolicited| {
            let confirmed = heard.iter().position(|letter| {
                (letter.from, letter.sequence, letter.unsolicited) == (from, sequence, unsolicited)
                    && (letter.empty
                        || safe_now.contains(letter)
                        || letter.unsolicited && safe.contains(letter))
            });
            heard.swap_remove(confirmed.expect("only what is safe is confirmed"));
        });
        safe_now.clear();
        self.told.safe_now = safe_now;
        let promised = self.told.promised.drain(..);
        self.promises.extend(promised.map(|(token, letter)| Promise { token, letter, open: true }));
    }

    /// Takes what is to be sent, which may be so long, and checks it.
    fn judges(&mut self, most: usize, mut confirmed: impl FnMut(Address, u8, bool)) {
        let sent = self.channel.output().clone();
        self.meter.count(|| {
            self.channel.output().clear();
            self.channel.output().shrink_to(PIECE);
        });
        self.meter.check(MOST_HELD);
        assert!(sent.len() <= most, "{} bytes to be sent, at most {most} promised", sent.len());
        wire::for_each_frame(&sent, |frame| match judge(frame, &self.configs) {
            (_, Sent::Link) => {}
            (to, Sent::Request(sequence)) => self.asked[to] = sequence,
            (to, Sent::Confirm(sequence, unsolicited)) => {
                confirmed(self.configs[to].outstation, sequence, unsolicited);
            }
        });
    }
}
