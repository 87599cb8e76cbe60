//! One byte in front of each segment, and how a fragment is cut.

use crate::link::MAX_USER_DATA;

/// Most application data of one segment, bytes: a frame's user data less the header.
pub const MAX_SEGMENT_DATA: usize = MAX_USER_DATA - 1;

const FINAL: u8 = 0x80;
const FIRST: u8 = 0x40;
const SEQUENCE: u8 = 0x3F;

/// A segment's number, 0 to 63.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Sequence(u8);

impl Sequence {
    /// The number, taken modulo 64.
    #[must_use]
    pub const fn new(number: u8) -> Self {
        Self(number & SEQUENCE)
    }

    /// The one after it.
    #[must_use]
    pub const fn next(self) -> Self {
        Self::new(self.0 + 1)
    }
}

/// The header of a segment (clause 8.2.1.1).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Header {
    /// It begins a fragment.
    pub first: bool,
    /// It ends a fragment.
    pub last: bool,
    /// Its number.
    pub sequence: Sequence,
}

impl Header {
    /// As it came over the wire.
    #[must_use]
    pub const fn from_byte(byte: u8) -> Self {
        Self { first: byte & FIRST != 0, last: byte & FINAL != 0, sequence: Sequence::new(byte) }
    }

    /// As it goes over the wire.
    #[must_use]
    pub const fn byte(self) -> u8 {
        (if self.last { FINAL } else { 0 }) | (if self.first { FIRST } else { 0 }) | self.sequence.0
    }
}

/// The segments of a fragment, in order, each with its header.
#[derive(Debug)]
pub struct Segments<'a> {
    rest: &'a [u8],
    sequence: Sequence,
    begun: bool,
    done: bool,
}

impl<'a> Segments<'a> {
    /// Cuts `fragment`, numbering from `sequence` on.
    #[must_use]
    pub const fn of(fragment: &'a [u8], sequence: Sequence) -> Self {
        Self { rest: fragment, sequence, begun: false, done: false }
    }

    /// The number for the next fragment's first segment.
    #[must_use]
    pub const fn sequence(&self) -> Sequence {
        self.sequence
    }

    /// Writes the next segment into `segment`, replacing what is there; false when there is none left.
    pub fn next_into(&mut self, segment: &mut Vec<u8>) -> bool {
        if self.done {
            return false;
        }
        let (data, rest) = self.rest.split_at(self.rest.len().min(MAX_SEGMENT_DATA));
        let header = Header { first: !self.begun, last: rest.is_empty(), sequence: self.sequence };
        segment.clear();
        segment.push(header.byte());
        segment.extend_from_slice(data);
        (self.rest, self.begun, self.done) = (rest, true, rest.is_empty());
        self.sequence = self.sequence.next();
        true
    }
}
