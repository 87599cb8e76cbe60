//! Values of points.

use super::{Flags, Kind, Time};

/// The state of a double-bit input.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum DoubleBit {
    /// On the way.
    Intermediate,
    /// Off.
    Off,
    /// On.
    On,
    /// Neither can be.
    Indeterminate,
}

impl DoubleBit {
    /// From two bits.
    #[must_use]
    pub const fn from_bits(bits: u8) -> Self {
        match bits & 3 {
            0 => Self::Intermediate,
            1 => Self::Off,
            2 => Self::On,
            _ => Self::Indeterminate,
        }
    }

    /// As two bits.
    #[must_use]
    pub const fn bits(self) -> u8 {
        match self {
            Self::Intermediate => 0,
            Self::Off => 1,
            Self::On => 2,
            Self::Indeterminate => 3,
        }
    }
}

/// A value. Analogs of every width fit an `f64` exactly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Value<'a> {
    /// On or off.
    Binary(bool),
    /// On, off or neither.
    DoubleBit(DoubleBit),
    /// A count.
    Counter(u32),
    /// A measurement, or a number as it is set.
    Analog(f64),
    /// A text, or anything else.
    Octets(&'a [u8]),
}

/// One value of one point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point<'a> {
    /// Which kind.
    pub kind: Kind,
    /// Which of its kind.
    pub index: u16,
    /// Whether it is an event; otherwise it is the present value.
    pub event: bool,
    /// The value.
    pub value: Value<'a>,
    /// The flags, where the variation has them; without, the value is on line by definition.
    pub flags: Option<Flags>,
    /// When it happened, where the variation says.
    pub time: Option<Time>,
}

impl Point<'_> {
    /// Whether the value can be used as it is.
    #[must_use]
    pub fn is_good(&self) -> bool {
        self.flags.is_none_or(|flags| flags.is_good(self.kind))
    }
}
