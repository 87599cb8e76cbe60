//! Kinds of points, and classes.

/// What kind of point a value belongs to; each kind numbers its points from 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Kind {
    /// Binary input, groups 1 and 2.
    Binary,
    /// Double-bit binary input, groups 3 and 4.
    DoubleBit,
    /// Status of a binary output, groups 10 and 11.
    BinaryOutput,
    /// Counter, groups 20 and 22.
    Counter,
    /// Frozen counter, groups 21 and 23.
    FrozenCounter,
    /// Analog input, groups 30 and 32.
    Analog,
    /// Frozen analog input, groups 31 and 33.
    FrozenAnalog,
    /// Status of an analog output, groups 40 and 42.
    AnalogOutput,
    /// Octet string, groups 110 and 111.
    Octets,
}

impl Kind {
    /// Every kind.
    pub const ALL: &'static [Self] = &[
        Self::Binary,
        Self::DoubleBit,
        Self::BinaryOutput,
        Self::Counter,
        Self::FrozenCounter,
        Self::Analog,
        Self::FrozenAnalog,
        Self::AnalogOutput,
        Self::Octets,
    ];

    /// The group of its present values.
    #[must_use]
    pub const fn static_group(self) -> u8 {
        match self {
            Self::Binary => 1,
            Self::DoubleBit => 3,
            Self::BinaryOutput => 10,
            Self::Counter => 20,
            Self::FrozenCounter => 21,
            Self::Analog => 30,
            Self::FrozenAnalog => 31,
            Self::AnalogOutput => 40,
            Self::Octets => 110,
        }
    }

    /// The group of its events.
    #[must_use]
    pub const fn event_group(self) -> u8 {
        match self {
            Self::Binary => 2,
            Self::DoubleBit => 4,
            Self::BinaryOutput => 11,
            Self::Counter => 22,
            Self::FrozenCounter => 23,
            Self::Analog => 32,
            Self::FrozenAnalog => 33,
            Self::AnalogOutput => 42,
            Self::Octets => 111,
        }
    }
}

/// Which events, or the present values, a poll is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Class {
    /// Present values.
    Zero,
    /// Events of class 1.
    One,
    /// Events of class 2.
    Two,
    /// Events of class 3.
    Three,
}

impl Class {
    /// The classes of events.
    pub const EVENTS: [Self; 3] = [Self::One, Self::Two, Self::Three];

    /// The variation of group 60 that asks for it.
    #[must_use]
    pub const fn variation(self) -> u8 {
        match self {
            Self::Zero => 1,
            Self::One => 2,
            Self::Two => 3,
            Self::Three => 4,
        }
    }

    /// The class that a variation of group 60 asks for.
    #[must_use]
    pub const fn from_variation(variation: u8) -> Option<Self> {
        Some(match variation {
            1 => Self::Zero,
            2 => Self::One,
            3 => Self::Two,
            4 => Self::Three,
            _ => return None,
        })
    }
}
