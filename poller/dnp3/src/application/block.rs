//! Blocks of objects: a header that says which and how many, then their data (clause 4.2.2.7).

use super::ObjectError;
use crate::objects::attribute::{self, Attribute};
use crate::objects::{Layout, Meaning, Shape, shape};

/// Which objects, and how many.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Extent {
    /// All there are. Only where objects are asked for.
    All,
    /// Indices from the first to the last.
    Range {
        /// The first.
        start: u16,
        /// The last.
        stop: u16,
    },
    /// So many.
    Count(u16),
}

/// Where a value's index comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Indexing {
    /// Counted up from here.
    From(u16),
    /// Before each value, in so many bytes.
    Prefixed {
        /// One or two.
        bytes: u8,
    },
    /// There is none.
    None,
}

/// One header and the data behind it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Block<'a> {
    /// The group.
    pub group: u8,
    /// The variation; 0 for any, where objects are asked for.
    pub variation: u8,
    /// What is known of them.
    pub shape: Shape,
    /// Which are meant.
    pub extent: Extent,
    /// Where their indices come from.
    pub indexing: Indexing,
    /// How many there are; 0 when all are asked for.
    pub count: u32,
    /// The data: exactly as much as the count says.
    pub data: &'a [u8],
}

impl<'a> Block<'a> {
    /// The device attributes in it.
    #[must_use]
    pub const fn attributes(&self) -> Attributes<'a> {
        let left = if matches!(self.shape.meaning, Meaning::Attribute) { self.count } else { 0 };
        Attributes { block: *self, left }
    }
}

/// Device attributes of one block.
#[derive(Debug, Clone)]
pub struct Attributes<'a> {
    block: Block<'a>,
    left: u32,
}

impl<'a> Iterator for Attributes<'a> {
    type Item = Attribute<'a>;

    fn next(&mut self) -> Option<Attribute<'a>> {
        self.left = self.left.checked_sub(1)?;
        let block = &mut self.block;
        let set = match &mut block.indexing {
            Indexing::From(start) => {
                let set = *start;
                *start = start.wrapping_add(1);
                set
            }
            Indexing::Prefixed { bytes } => {
                let (set, rest) = block.data.split_at_checked((*bytes).into())?;
                block.data = rest;
                u16::from_le_bytes([set[0], set.get(1).copied().unwrap_or(0)])
            }
            Indexing::None => 0,
        };
        let (this, rest) = block.data.split_at_checked(attribute::length(block.data)?)?;
        block.data = rest;
        attribute::read(set, block.variation, this)
    }
}

/// The blocks of a fragment; ends at the first error.
#[derive(Debug, Clone)]
pub struct Blocks<'a> {
    rest: &'a [u8],
    data_follows: bool,
}

impl<'a> Blocks<'a> {
    /// Of a fragment that only asks: no data behind the headers.
    #[must_use]
    pub const fn headers(objects: &'a [u8]) -> Self {
        Self { rest: objects, data_follows: false }
    }

    /// Of a fragment that brings data.
    #[must_use]
    pub const fn with_data(objects: &'a [u8]) -> Self {
        Self { rest: objects, data_follows: true }
    }

    fn take<const N: usize>(&mut self) -> Result<[u8; N], ObjectError> {
        let (head, rest) = self.rest.split_first_chunk::<N>().ok_or(ObjectError::HeaderCut)?;
        self.rest = rest;
        Ok(*head)
    }

    fn block(&mut self) -> Result<Block<'a>, ObjectError> {
        let [group, variation, qualifier] = self.take()?;
        if qualifier == SIZED {
            return self.sized(group, variation);
        }
        let (extent, prefix) = self.extent(group, variation, qualifier)?;
        let shape = shape(group, variation).ok_or(ObjectError::UnknownObject { group, variation })?;
        if !self.may_have(shape, extent, prefix) {
            return Err(ObjectError::QualifierMisplaced { group, variation, qualifier });
        }
        let count = match extent {
            Extent::All => 0,
            Extent::Range { start, stop } => u32::from(stop) - u32::from(start) + 1,
            Extent::Count(count) => count.into(),
        };
        let indexing = match (extent, prefix) {
            (Extent::Range { start, .. }, _) => Indexing::From(start),
            (_, 1 | 2) => Indexing::Prefixed { bytes: prefix },
            _ => Indexing::None,
        };
        let mut length = 0;
        if self.data_follows {
            let cut = ObjectError::DataCut { group, variation, count };
            length = self.length(shape.layout, count, prefix.into()).ok_or(cut)?;
        }
        let (data, rest) = self.rest.split_at(length);
        self.rest = rest;
        Ok(Block { group, variation, shape, extent, indexing, count, data })
    }

    /// Reads the range field. Which objects are meant, and how many bytes of index precede each.
    fn extent(&mut self, group: u8, variation: u8, qualifier: u8) -> Result<(Extent, u8), ObjectError> {
        let range = |start: u32, stop: u32| match (u16::try_from(start), u16::try_from(stop)) {
            (Ok(start), Ok(stop)) if start <= stop => Ok(Extent::Range { start, stop }),
            _ => Err(ObjectError::ImpossibleRange { group, variation, start, stop }),
        };
        let count = |count: u16| match count {
            0 => Err(ObjectError::CountOfZero { group, variation }),
            _ => Ok(Extent::Count(count)),
        };
        Ok(match qualifier {
            0x00 => {
                let [start, stop] = self.take()?;
                (range(start.into(), stop.into())?, 0)
            }
            0x01 => {
                let [a, b, c, d] = self.take()?;
                (range(u16::from_le_bytes([a, b]).into(), u16::from_le_bytes([c, d]).into())?, 0)
            }
            0x02 => {
                let [a, b, c, d, e, f, g, h] = self.take()?;
                (range(u32::from_le_bytes([a, b, c, d]), u32::from_le_bytes([e, f, g, h]))?, 0)
            }
            0x06 => (Extent::All, 0),
            0x07 => (count(self.take::<1>()?[0].into())?, 0),
            0x08 => (count(u16::from_le_bytes(self.take()?))?, 0),
            0x17 => (count(self.take::<1>()?[0].into())?, 1),
            0x28 => (count(u16::from_le_bytes(self.take()?))?, 2),
            _ => return Err(ObjectError::UnknownQualifier { group, variation, qualifier }),
        })
    }

    /// Whether an object can come with such a qualifier: in a response, present values come by range and events by their
    /// indices.
    const fn may_have(&self, shape: Shape, extent: Extent, prefix: u8) -> bool {
        let by_range = matches!(extent, Extent::Range { .. });
        match (shape.meaning, self.data_follows) {
            (Meaning::Class(_) | Meaning::Any, true) => false,
            (Meaning::Point { event: false, .. } | Meaning::Indications, true) => by_range,
            (Meaning::Point { event: true, .. }, true) => prefix > 0,
            (Meaning::Attribute, true) => by_range || prefix > 0,
            (_, true) => !matches!(extent, Extent::All) && prefix == 0,
            (Meaning::Class(_) | Meaning::Point { event: true, .. }, false) => prefix == 0 && !by_range,
            (_, false) => prefix == 0,
        }
    }

    /// How many bytes of data there are; none if that is more than is left.
    fn length(&self, layout: Layout, count: u32, prefix: usize) -> Option<usize> {
        let count = usize::try_from(count).ok()?;
        let length = match layout {
            Layout::Bits => count.div_ceil(8),
            Layout::BitPairs => count.div_ceil(4),
            Layout::Fields(fields) => count.checked_mul(prefix + fields.size())?,
            Layout::Octets(length) => count.checked_mul(prefix + usize::from(length))?,
            Layout::Attribute => {
                let mut whole = 0;
                for _ in 0..count {
                    let from = whole + prefix;
                    whole = from + attribute::length(self.rest.get(from..)?)?;
                }
                whole
            }
            Layout::Nothing => 0,
        };
        (length <= self.rest.len()).then_some(length)
    }

    /// Objects that each say how long they are: nothing that we read comes so, but it can be stepped over, known or not.
    fn sized(&mut self, group: u8, variation: u8) -> Result<Block<'a>, ObjectError> {
        let [count] = self.take()?;
        if count == 0 {
            return Err(ObjectError::CountOfZero { group, variation });
        }
        let cut = ObjectError::DataCut { group, variation, count: count.into() };
        let whole = self.rest;
        for _ in 0..count {
            let length = self.take::<2>().map_err(|_| cut)?;
            self.rest = self.rest.get(usize::from(u16::from_le_bytes(length))..).ok_or(cut)?;
        }
        let shape = Shape { meaning: Meaning::Any, layout: Layout::Nothing };
        let data = &whole[..whole.len() - self.rest.len()];
        let (extent, indexing) = (Extent::Count(count.into()), Indexing::None);
        Ok(Block { group, variation, shape, extent, indexing, count: count.into(), data })
    }
}

/// One byte of count, and two bytes of length before each object.
const SIZED: u8 = 0x5B;

impl<'a> Iterator for Blocks<'a> {
    type Item = Result<Block<'a>, ObjectError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.rest.is_empty() {
            return None;
        }
        let block = self.block();
        if block.is_err() {
            self.rest = &[];
        }
        Some(block)
    }
}
