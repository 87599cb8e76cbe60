//! Values out of a block, one at a time, without copying.

use super::{
    DoubleBit, EventTime, Fields, Flags, Kind, Layout, Meaning, Number, Point, Time, Timestamp, Value,
};
use crate::application::{Block, Indexing};

/// The common time of occurrence that relative times of a fragment count from.
pub type CommonTime = Option<Time>;

/// The points of one block.
#[derive(Debug, Clone)]
pub struct Points<'a> {
    kind: Kind,
    event: bool,
    layout: Layout,
    common: CommonTime,
    data: &'a [u8],
    /// Index of the next value without a prefix.
    next: u16,
    /// Values left.
    left: u32,
    /// Bytes of the index before each value.
    prefix: usize,
    /// Bits of `data` already used, where values are packed.
    bit: usize,
}

impl<'a> Points<'a> {
    /// The points of a block; nothing if it is not about points, or holds no data. `common` is the common time of occurrence that
    /// came before it in the same fragment.
    #[must_use]
    pub fn of(block: &Block<'a>, common: CommonTime) -> Self {
        let (kind, event, layout) = match block.shape.meaning {
            Meaning::Point { kind, event } => (kind, event, block.shape.layout),
            _ => (Kind::Octets, false, Layout::Nothing),
        };
        let (next, prefix) = match block.indexing {
            Indexing::From(start) => (start, 0),
            Indexing::Prefixed { bytes } => (0, usize::from(bytes)),
            Indexing::None => (0, 0),
        };
        let left = if matches!(layout, Layout::Nothing) { 0 } else { block.count };
        Self { kind, event, layout, common, data: block.data, next, left, prefix, bit: 0 }
    }

    /// The next `N` bytes. The block's length was checked against its count, so they are there.
    #[inline]
    fn bytes<const N: usize>(&mut self) -> Option<[u8; N]> {
        let (head, rest) = self.data.split_first_chunk::<N>()?;
        self.data = rest;
        Some(*head)
    }

    #[inline]
    fn bits(&mut self, width: usize) -> Option<u8> {
        let byte = *self.data.get(self.bit / 8)?;
        let bits = byte >> (self.bit % 8);
        self.bit += width;
        Some(bits)
    }

    #[inline]
    fn index(&mut self) -> Option<u16> {
        match self.prefix {
            0 => {
                let index = self.next;
                self.next = index.wrapping_add(1);
                Some(index)
            }
            1 => self.bytes::<1>().map(|[low]| u16::from(low)),
            _ => self.bytes::<2>().map(u16::from_le_bytes),
        }
    }

    #[inline]
    fn fields(&mut self, fields: Fields) -> Option<(Value<'a>, Option<Flags>, Option<Time>)> {
        let flags = if fields.flags { Some(Flags(self.bytes::<1>()?[0])) } else { None };
        let value = match fields.number {
            Number::InFlags => in_flags(self.kind, flags?),
            Number::U16 => Value::Counter(u16::from_le_bytes(self.bytes()?).into()),
            Number::U32 => Value::Counter(u32::from_le_bytes(self.bytes()?)),
            Number::I16 => Value::Analog(i16::from_le_bytes(self.bytes()?).into()),
            Number::I32 => Value::Analog(i32::from_le_bytes(self.bytes()?).into()),
            Number::F32 => Value::Analog(f32::from_le_bytes(self.bytes()?).into()),
            Number::F64 => Value::Analog(f64::from_le_bytes(self.bytes()?)),
        };
        let time = match fields.time {
            EventTime::None => None,
            EventTime::Absolute => {
                Some(Time { at: Timestamp::from_bytes(self.bytes()?), synchronised: None })
            }
            EventTime::Relative => {
                let later = u16::from_le_bytes(self.bytes()?);
                self.common.map(|common| Time { at: common.at.plus(later.into()), ..common })
            }
        };
        Some((value, flags, time))
    }
}

/// Where the state is in the flags, it is taken out of them.
const fn in_flags(kind: Kind, flags: Flags) -> Value<'static> {
    match kind {
        Kind::DoubleBit => Value::DoubleBit(DoubleBit::from_bits(flags.0 >> 6)),
        _ => Value::Binary(flags.0 & Flags::STATE != 0),
    }
}

impl<'a> Iterator for Points<'a> {
    type Item = Point<'a>;

    #[inline]
    fn next(&mut self) -> Option<Point<'a>> {
        self.left = self.left.checked_sub(1)?;
        let index = self.index()?;
        let (value, flags, time) = match self.layout {
            Layout::Fields(fields) => self.fields(fields)?,
            Layout::Bits => (Value::Binary(self.bits(1)? & 1 != 0), None, None),
            Layout::BitPairs => (Value::DoubleBit(DoubleBit::from_bits(self.bits(2)?)), None, None),
            Layout::Octets(length) => {
                let (octets, rest) = self.data.split_at_checked(length.into())?;
                self.data = rest;
                (Value::Octets(octets), None, None)
            }
            Layout::Attribute | Layout::Nothing => return None,
        };
        Some(Point { kind: self.kind, index, event: self.event, value, flags, time })
    }
}

/// The time that a block of group 50 or 51 holds.
#[must_use]
pub fn read_time(block: &Block<'_>) -> Option<Timestamp> {
    block.data.first_chunk::<6>().map(|bytes| Timestamp::from_bytes(*bytes))
}
