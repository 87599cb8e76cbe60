//! Objects into a fragment, as long as there is room.
//!
//! Values whose indices follow one another share a header with a range; events that follow one another in the same form share one with a
//! count. Every method adds all of something or, when there is no room, nothing.

use crate::application::write;
use crate::objects::attribute::encode_text;
use crate::objects::{EventTime, Fields, Layout, Point, Timestamp, Value, encode, encode_time};

/// Group, variation, qualifier.
const HEADER: usize = 3;
/// Bytes of an event's index and of a count of events.
const PREFIX: usize = 2;
/// A header with a count of one, and a time.
const TIME_BLOCK: usize = HEADER + 1 + 6;

/// The header that values are being added to.
#[derive(Debug, Clone, Copy)]
enum Open {
    Range { group: u8, variation: u8, last: u16, wide: bool, place: usize, count: usize },
    Prefixed { group: u8, variation: u8, count: u16, place: usize },
}

/// Adds objects to one fragment.
#[derive(Debug)]
pub(super) struct Writer<'a> {
    out: &'a mut Vec<u8>,
    /// Where the fragment's objects begin.
    begin: usize,
    limit: usize,
    open: Option<Open>,
    /// The common time of occurrence written last, and whether the clock was synchronised.
    common: Option<(Timestamp, bool)>,
}

impl<'a> Writer<'a> {
    /// Behind what is in `out` already, up to `limit` bytes altogether.
    pub(super) const fn new(out: &'a mut Vec<u8>, limit: usize) -> Self {
        let begin = out.len();
        Self { out, begin, limit, open: None, common: None }
    }

    /// Whether so many more bytes fit. The first object of a fragment always does: it could not be sent otherwise.
    const fn fits(&self, bytes: usize) -> bool {
        self.out.len() + bytes <= self.limit || self.out.len() == self.begin
    }

    /// Adds a present value.
    pub(super) fn present(&mut self, point: &Point<'_>, variation: u8, layout: Layout) -> bool {
        let group = point.kind.static_group();
        let index = point.index;
        let continued = match self.open {
            Some(Open::Range { group: g, variation: v, last, wide, place, count })
                if (g, v) == (group, variation)
                    && last.checked_add(1) == Some(index)
                    && (wide || index <= u16::from(u8::MAX)) =>
            {
                Some((wide, place, count))
            }
            _ => None,
        };
        let wide = continued.map_or(index > u16::from(u8::MAX), |(wide, ..)| wide);
        let count = continued.map_or(0, |(_, _, count)| count);
        let header = if continued.is_some() { 0 } else { HEADER + if wide { 4 } else { 2 } };
        if !self.fits(header + size(layout, count)) {
            return false;
        }
        let place = continued.map_or_else(
            || {
                write::range(group, variation, index, index, self.out);
                self.out.len() - if wide { 2 } else { 1 }
            },
            |(_, place, _)| place,
        );
        let stop = index.to_le_bytes();
        let width = if wide { 2 } else { 1 };
        self.out[place..place + width].copy_from_slice(&stop[..width]);
        self.value(point, layout, count);
        self.open = Some(Open::Range { group, variation, last: index, wide, place, count: count + 1 });
        true
    }

    /// Adds an event, behind the common time that its own may count from.
    pub(super) fn event(&mut self, point: &Point<'_>, variation: u8, layout: Layout) -> bool {
        let group = point.kind.event_group();
        let common = self.common_for(point, layout);
        let new_common = common.filter(|common| self.common != Some(*common));
        let continued = match self.open {
            Some(Open::Prefixed { group: g, variation: v, count, place })
                if (g, v) == (group, variation) && new_common.is_none() && count < u16::MAX =>
            {
                Some((place, count))
            }
            _ => None,
        };
        let header = if continued.is_some() { 0 } else { HEADER + PREFIX };
        let time = if new_common.is_some() { TIME_BLOCK } else { 0 };
        if !self.fits(time + header + PREFIX + size(layout, 0)) {
            return false;
        }
        if let Some((at, synchronised)) = new_common {
            write::count(51, if synchronised { 1 } else { 2 }, 1, self.out);
            encode_time(at, self.out);
            self.common = new_common;
        }
        let (place, count) = continued.unwrap_or_else(|| (write::prefixed(group, variation, 0, self.out), 0));
        write::set_prefixed_count(place, count + 1, self.out);
        self.out.extend_from_slice(&point.index.to_le_bytes());
        encode(point, layout, common.map_or(Timestamp::from_millis(0), |(at, _)| at), self.out);
        self.open = Some(Open::Prefixed { group, variation, count: count + 1, place });
        true
    }

    /// Adds a device attribute.
    pub(super) fn attribute(&mut self, variation: u8, text: &str) -> bool {
        if !self.fits(HEADER + 2 + 2 + text.len().min(255)) {
            return false;
        }
        write::range(0, variation, 0, 0, self.out);
        encode_text(text, self.out);
        self.open = None;
        true
    }

    /// Adds the time.
    pub(super) fn time(&mut self, time: Timestamp) -> bool {
        if !self.fits(TIME_BLOCK) {
            return false;
        }
        write::count(50, 1, 1, self.out);
        encode_time(time, self.out);
        self.open = None;
        true
    }

    /// The common time that a relative one counts from: the last one if the distance fits 16 bits, else its own.
    fn common_for(&self, point: &Point<'_>, layout: Layout) -> Option<(Timestamp, bool)> {
        let Layout::Fields(Fields { time: EventTime::Relative, .. }) = layout else { return None };
        let time = point.time?;
        let synchronised = time.synchronised != Some(false);
        let reaches = |(at, s): &(Timestamp, bool)| {
            let later = time.at.millis().checked_sub(at.millis());
            *s == synchronised && later.is_some_and(|later| later <= u64::from(u16::MAX))
        };
        Some(self.common.filter(reaches).unwrap_or((time.at, synchronised)))
    }

    /// Adds the value itself; `count` of the same header came before it.
    fn value(&mut self, point: &Point<'_>, layout: Layout, count: usize) {
        let bits = match (layout, point.value) {
            (Layout::Bits, Value::Binary(on)) => u8::from(on) << (count % 8),
            (Layout::BitPairs, Value::DoubleBit(state)) => state.bits() << (2 * (count % 4)),
            _ => return encode(point, layout, Timestamp::from_millis(0), self.out),
        };
        if size(layout, count) > 0 {
            self.out.push(0);
        }
        if let Some(last) = self.out.last_mut() {
            *last |= bits;
        }
    }
}

/// By how many bytes one more value makes a block longer that has `count` already.
const fn size(layout: Layout, count: usize) -> usize {
    match layout {
        Layout::Bits => count.is_multiple_of(8) as usize,
        Layout::BitPairs => count.is_multiple_of(4) as usize,
        Layout::Fields(fields) => fields.size(),
        Layout::Octets(length) => length as usize,
        Layout::Attribute | Layout::Nothing => 0,
    }
}
