//! The table of what is known: the form of each variation (annex A).

use super::{Class, Kind};

/// What an object is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Meaning {
    /// A value of a point.
    Point {
        /// Which kind.
        kind: Kind,
        /// Whether the group is one of events.
        event: bool,
    },
    /// Time and date, group 50 variation 1.
    Time,
    /// Time and date as last recorded, group 50 variation 3.
    LastRecordedTime,
    /// Common time of occurrence, group 51, for the relative times that follow.
    CommonTime {
        /// Whether the clock was synchronised.
        synchronised: bool,
    },
    /// Delay, group 52.
    Delay {
        /// One unit, milliseconds.
        unit_ms: u32,
    },
    /// All data of a class, group 60. Only in requests.
    Class(Class),
    /// Internal indications, group 80.
    Indications,
    /// Device attribute, group 0.
    Attribute,
    /// Any variation of a group. Only in requests.
    Any,
}

/// How the bytes lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Layout {
    /// One bit each, least significant first.
    Bits,
    /// Two bits each, least significant first.
    BitPairs,
    /// Flags, number, time: whichever there are, in this order.
    Fields(Fields),
    /// So many bytes.
    Octets(u8),
    /// A device attribute: type, length, content.
    Attribute,
    /// No data.
    Nothing,
}

/// The parts of a value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Fields {
    /// Whether there is a byte of flags.
    pub flags: bool,
    /// The number.
    pub number: Number,
    /// The time.
    pub time: EventTime,
}

/// How a number is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Number {
    /// There is none: the state is in the flags.
    InFlags,
    /// 16 bits, unsigned.
    U16,
    /// 32 bits, unsigned.
    U32,
    /// 16 bits, two's complement.
    I16,
    /// 32 bits, two's complement.
    I32,
    /// IEEE 754 single precision.
    F32,
    /// IEEE 754 double precision.
    F64,
}

/// How a time is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EventTime {
    /// There is none.
    None,
    /// Milliseconds since 1970, 48 bits.
    Absolute,
    /// Milliseconds since the common time of occurrence, 16 bits.
    Relative,
}

impl Fields {
    /// Bytes of one value.
    #[must_use]
    pub const fn size(self) -> usize {
        let number = match self.number {
            Number::InFlags => 0,
            Number::U16 | Number::I16 => 2,
            Number::U32 | Number::I32 | Number::F32 => 4,
            Number::F64 => 8,
        };
        let time = match self.time {
            EventTime::None => 0,
            EventTime::Relative => 2,
            EventTime::Absolute => 6,
        };
        self.flags as usize + number + time
    }
}

/// What is known of a variation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shape {
    /// What it is about.
    pub meaning: Meaning,
    /// How its bytes lie.
    pub layout: Layout,
}

/// The form of a variation; none if it is not known. Variation 0 stands for any, in requests.
#[must_use]
pub const fn shape(group: u8, variation: u8) -> Option<Shape> {
    let (meaning, layout) = match (group, variation) {
        (0, _) => (Meaning::Attribute, Layout::Attribute),
        (50, 1) => (Meaning::Time, Layout::Octets(6)),
        (50, 3) => (Meaning::LastRecordedTime, Layout::Octets(6)),
        (51, 1) => (Meaning::CommonTime { synchronised: true }, Layout::Octets(6)),
        (51, 2) => (Meaning::CommonTime { synchronised: false }, Layout::Octets(6)),
        (52, 1) => (Meaning::Delay { unit_ms: 1000 }, Layout::Octets(2)),
        (52, 2) => (Meaning::Delay { unit_ms: 1 }, Layout::Octets(2)),
        (60, _) => match Class::from_variation(variation) {
            Some(class) => (Meaning::Class(class), Layout::Nothing),
            None => return None,
        },
        (80, 1) => (Meaning::Indications, Layout::Bits),
        _ => {
            let Some((kind, event)) = point_group(group) else { return None };
            let meaning = Meaning::Point { kind, event };
            match (variation, point_layout(kind, event, variation)) {
                // the length of an octet string is its variation
                (0, _) => (Meaning::Any, Layout::Nothing),
                (_, Some(layout)) => (meaning, layout),
                (_, None) => return None,
            }
        }
    };
    Some(Shape { meaning, layout })
}

/// What a group is of, and whether it is one of events; none if it is not of points.
pub(crate) const fn point_group(group: u8) -> Option<(Kind, bool)> {
    let mut i = 0;
    while i < Kind::ALL.len() {
        let kind = Kind::ALL[i];
        if kind.static_group() == group {
            return Some((kind, false));
        }
        if kind.event_group() == group {
            return Some((kind, true));
        }
        i += 1;
    }
    None
}

const fn point_layout(kind: Kind, event: bool, variation: u8) -> Option<Layout> {
    use EventTime::{Absolute, None as Never, Relative};
    use Number::*;
    Some(match (kind, event, variation) {
        (Kind::Binary | Kind::BinaryOutput, false, 1) => Layout::Bits,
        (Kind::DoubleBit, false, 1) => Layout::BitPairs,
        (Kind::Binary | Kind::DoubleBit | Kind::BinaryOutput, false, 2)
        | (Kind::Binary | Kind::DoubleBit | Kind::BinaryOutput, true, 1) => fields(true, InFlags, Never),
        (Kind::Binary | Kind::DoubleBit | Kind::BinaryOutput, true, 2) => fields(true, InFlags, Absolute),
        (Kind::Binary | Kind::DoubleBit, true, 3) => fields(true, InFlags, Relative),

        (Kind::Counter | Kind::FrozenCounter, _, 1) => fields(true, U32, Never),
        (Kind::Counter | Kind::FrozenCounter, _, 2) => fields(true, U16, Never),
        (Kind::Counter, false, 5) | (Kind::FrozenCounter, false, 9) => fields(false, U32, Never),
        (Kind::Counter, false, 6) | (Kind::FrozenCounter, false, 10) => fields(false, U16, Never),
        (Kind::FrozenCounter, false, 5) | (Kind::Counter | Kind::FrozenCounter, true, 5) => {
            fields(true, U32, Absolute)
        }
        (Kind::FrozenCounter, false, 6) | (Kind::Counter | Kind::FrozenCounter, true, 6) => {
            fields(true, U16, Absolute)
        }

        (Kind::Analog | Kind::FrozenAnalog | Kind::AnalogOutput, _, 1) => fields(true, I32, Never),
        (Kind::Analog | Kind::FrozenAnalog | Kind::AnalogOutput, _, 2) => fields(true, I16, Never),
        (Kind::Analog, false, 3) | (Kind::FrozenAnalog, false, 5) => fields(false, I32, Never),
        (Kind::Analog, false, 4) | (Kind::FrozenAnalog, false, 6) => fields(false, I16, Never),
        (Kind::Analog, false, 5) | (Kind::FrozenAnalog, false, 7) | (Kind::AnalogOutput, false, 3) => {
            fields(true, F32, Never)
        }
        (Kind::Analog, false, 6) | (Kind::FrozenAnalog, false, 8) | (Kind::AnalogOutput, false, 4) => {
            fields(true, F64, Never)
        }
        (Kind::FrozenAnalog, false, 3) => fields(true, I32, Absolute),
        (Kind::FrozenAnalog, false, 4) => fields(true, I16, Absolute),
        (Kind::Analog | Kind::FrozenAnalog | Kind::AnalogOutput, true, 3) => fields(true, I32, Absolute),
        (Kind::Analog | Kind::FrozenAnalog | Kind::AnalogOutput, true, 4) => fields(true, I16, Absolute),
        (Kind::Analog | Kind::FrozenAnalog | Kind::AnalogOutput, true, 5) => fields(true, F32, Never),
        (Kind::Analog | Kind::FrozenAnalog | Kind::AnalogOutput, true, 6) => fields(true, F64, Never),
        (Kind::Analog | Kind::FrozenAnalog | Kind::AnalogOutput, true, 7) => fields(true, F32, Absolute),
        (Kind::Analog | Kind::FrozenAnalog | Kind::AnalogOutput, true, 8) => fields(true, F64, Absolute),

        (Kind::Octets, _, length) => Layout::Octets(length),
        _ => return None,
    })
}

const fn fields(flags: bool, number: Number, time: EventTime) -> Layout {
    Layout::Fields(Fields { flags, number, time })
}
