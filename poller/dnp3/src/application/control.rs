//! The first byte of a fragment (clause 4.2.2.4).

const FIRST: u8 = 0x80;
const LAST: u8 = 0x40;
const CONFIRM: u8 = 0x20;
const UNSOLICITED: u8 = 0x10;
const SEQUENCE: u8 = 0x0F;

/// A fragment's number, 0 to 15.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Sequence(u8);

impl Sequence {
    /// The number, taken modulo 16.
    #[must_use]
    pub const fn new(number: u8) -> Self {
        Self(number & SEQUENCE)
    }

    /// The one after it.
    #[must_use]
    pub const fn next(self) -> Self {
        Self::new(self.0 + 1)
    }

    /// 0 to 15.
    #[must_use]
    pub const fn number(self) -> u8 {
        self.0
    }
}

/// The application control byte.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Control {
    /// It begins a message.
    pub first: bool,
    /// It ends a message.
    pub last: bool,
    /// Whoever gets it must confirm it.
    pub confirm: bool,
    /// It is unsolicited, or confirms something that was.
    pub unsolicited: bool,
    /// Its number.
    pub sequence: Sequence,
}

impl Control {
    /// Of a message of one fragment that asks for no confirmation: every request.
    #[must_use]
    pub const fn single(sequence: Sequence) -> Self {
        Self { first: true, last: true, confirm: false, unsolicited: false, sequence }
    }

    /// As it came over the wire.
    #[must_use]
    pub const fn from_byte(byte: u8) -> Self {
        Self {
            first: byte & FIRST != 0,
            last: byte & LAST != 0,
            confirm: byte & CONFIRM != 0,
            unsolicited: byte & UNSOLICITED != 0,
            sequence: Sequence::new(byte),
        }
    }

    /// As it goes over the wire.
    #[must_use]
    pub const fn byte(self) -> u8 {
        flag(self.first, FIRST)
            | flag(self.last, LAST)
            | flag(self.confirm, CONFIRM)
            | flag(self.unsolicited, UNSOLICITED)
            | self.sequence.0
    }
}

const fn flag(on: bool, bit: u8) -> u8 {
    if on { bit } else { 0 }
}
