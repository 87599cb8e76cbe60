//! How a device goes wrong, told at run time, for drills. It sits between a session and the wire: the session itself stays sound.

use std::collections::VecDeque;
use std::time::Duration;

use super::outbox::RESPONSE;
use crate::application::{Control, Sequence};
use crate::link::Address;

/// Everything that is wrong at the moment; by default nothing is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Misbehaviour {
    /// Nothing is answered, not even by the link layer.
    pub silent: bool,
    /// Everything leaves so much later.
    pub late: Duration,
    /// Responses carry the number after the one expected.
    pub wrong_sequence: bool,
    /// Only the first half of an answer leaves.
    pub truncated: bool,
    /// The last check word of an answer is wrong.
    pub bad_crc: bool,
    /// Frames say that they come from here.
    pub wrong_source: Option<Address>,
    /// Before each answer so many bytes that mean nothing.
    pub garbage_bytes: usize,
    /// One byte at a time, with so much time between two.
    pub drip: Option<Duration>,
    /// A response that nobody asked for, each time after so long.
    pub flood: Option<Duration>,
    /// Answers with objects do not end: after so long comes another fragment, confirmed or not, for ever.
    pub endless: Option<Duration>,
}

/// Most frames that a flood sends at once, when nobody has looked for long.
const MOST_AT_ONCE: usize = 1_000;

/// An answer without end.
#[derive(Debug)]
struct Endless {
    to: Address,
    next: Sequence,
    at: Duration,
}

/// A misbehaviour, and what it has under way.
#[derive(Debug, Default)]
pub(super) struct Mischief {
    what: Misbehaviour,
    /// What leaves later, in order.
    queue: VecDeque<(Duration, Vec<u8>)>,
    endless: Option<Endless>,
    flood_at: Duration,
    flood_sequence: Sequence,
    noise: u32,
}

/// A response without objects.
pub(super) type Empty = [u8; 4];

const fn empty(control: Control) -> Empty {
    [control.byte(), RESPONSE, 0, 0]
}

impl Mischief {
    pub(super) fn set(&mut self, what: Misbehaviour, now: Duration) {
        self.what = what;
        self.flood_at = now;
        self.endless = None;
    }

    /// The connection is gone, and with it what was to leave on it.
    pub(super) fn disconnected(&mut self) {
        self.queue.clear();
        self.endless = None;
    }

    /// Where frames say that they come from.
    pub(super) fn source(&self, address: Address) -> Address {
        self.what.wrong_source.unwrap_or(address)
    }

    /// Whether fragments need [`Mischief::spoil_fragment`].
    pub(super) const fn spoils_fragments(&self) -> bool {
        self.what.wrong_sequence || self.what.endless.is_some()
    }

    /// Spoils a fragment before it is cut into frames.
    pub(super) fn spoil_fragment(&mut self, fragment: &mut [u8], to: Address, now: Duration) {
        let [byte, RESPONSE, _, _, objects @ ..] = fragment else { return };
        let mut control = Control::from_byte(*byte);
        if self.what.wrong_sequence {
            control.sequence = control.sequence.next();
        }
        if let Some(every) = self.what.endless.filter(|_| !objects.is_empty()) {
            control.last = false;
            self.endless = Some(Endless { to, next: control.sequence.next(), at: now + every });
        }
        *byte = control.byte();
    }

    /// Spoils the frames in `out` from `begin` on, or keeps them for later.
    pub(super) fn spoil_frames(&mut self, out: &mut Vec<u8>, begin: usize, now: Duration) {
        if self.what == Misbehaviour::default() && self.queue.is_empty() {
            return;
        }
        if self.what.silent {
            out.truncate(begin);
            return;
        }
        if self.what.bad_crc && out.len() > begin {
            out.iter_mut().skip(begin).next_back().into_iter().for_each(|byte| *byte ^= 0x55);
        }
        if self.what.truncated {
            out.truncate(begin + (out.len() - begin) / 2);
        }
        if self.what.garbage_bytes > 0 {
            let noise: Vec<u8> = (0..self.what.garbage_bytes).map(|_| self.noise()).collect();
            out.splice(begin..begin, noise);
        }
        if self.what.drip.is_some() || !self.what.late.is_zero() || !self.queue.is_empty() {
            self.keep(out.split_off(begin), now);
        }
    }

    /// Keeps bytes until they may leave, behind those kept already.
    fn keep(&mut self, bytes: Vec<u8>, now: Duration) {
        let mut at = (now + self.what.late).max(self.queue.back().map_or(Duration::ZERO, |(at, _)| *at));
        match self.what.drip {
            None => self.queue.push_back((at, bytes)),
            Some(every) => {
                for byte in bytes {
                    at += every;
                    self.queue.push_back((at, vec![byte]));
                }
            }
        }
    }

    /// Adds what may leave by now.
    pub(super) fn release(&mut self, out: &mut Vec<u8>, now: Duration) {
        while let Some((_, bytes)) = self.queue.pop_front_if(|(at, _)| *at <= now) {
            out.extend_from_slice(&bytes);
        }
    }

    /// Fragments that are due though nobody asked for them, each with its addressee; a flood goes to `master`.
    pub(super) fn unasked(&mut self, master: Address, now: Duration) -> Vec<(Address, Empty)> {
        let mut fragments = vec![];
        while let (Some(every), Some(endless)) = (self.what.endless, &mut self.endless)
            && endless.at <= now
            && fragments.len() < MOST_AT_ONCE
        {
            let control = Control { first: false, last: false, ..Control::single(endless.next) };
            fragments.push((endless.to, empty(control)));
            endless.next = endless.next.next();
            endless.at += every;
        }
        while let Some(every) = self.what.flood
            && self.flood_at <= now
            && fragments.len() < MOST_AT_ONCE
        {
            fragments.push((master, empty(Control::single(self.flood_sequence))));
            self.flood_sequence = self.flood_sequence.next();
            self.flood_at += every;
        }
        if fragments.len() >= MOST_AT_ONCE {
            self.flood_at = self.flood_at.max(now);
        }
        fragments
    }

    /// When something is due at the latest.
    pub(super) fn next_deadline(&self) -> Option<Duration> {
        let kept = self.queue.front().map(|(at, _)| *at);
        let endless = self.endless.as_ref().map(|endless| endless.at);
        let flood = self.what.flood.map(|_| self.flood_at);
        kept.into_iter().chain(endless).chain(flood).min()
    }

    /// The next byte of a noise that is the same each time (the generator of Numerical Recipes).
    fn noise(&mut self) -> u8 {
        self.noise = self.noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        self.noise.to_be_bytes()[0]
    }
}
