//! What a READ asks for, and how far its answer has come.
//!
//! The answer is made fragment by fragment: values are those of the moment when their fragment is made. Events that happen after the request are
//! left for the next, so that every answer ends.

use super::Database;
use super::events::Which;
use super::writer::Writer;
use crate::application::{Block, Blocks, Extent, Indications, ObjectError};
use crate::objects::attribute::variation::ALL as ALL_ATTRIBUTES;
use crate::objects::{Class, Classes, Kind, Meaning, Timestamp, point_group};

/// One thing that is asked for, less what was answered already.
#[derive(Debug, Clone, Copy)]
enum Item {
    Present { kind: Kind, variation: u8, next: u16, stop: u16 },
    Events { which: Which, variation: u8, left: usize },
    Attributes { next: u8, last: u8 },
    Time,
}

/// What is still to be answered, in the order in which it was asked for.
#[derive(Debug, Default)]
pub(super) struct Plan {
    items: Vec<Item>,
    /// The first that is not done.
    at: usize,
}

impl Plan {
    pub(super) fn clear(&mut self) {
        self.items.clear();
        self.at = 0;
    }

    pub(super) const fn is_done(&self) -> bool {
        self.at >= self.items.len()
    }

    /// Begins anew with what a request asks for. Returns what it asked for in vain.
    pub(super) fn begin(&mut self, objects: &[u8], database: &Database) -> Indications {
        self.clear();
        let mut refused = Indications::NONE;
        for block in Blocks::headers(objects) {
            refused = refused.with(match block {
                Ok(block) => self.add(&block, database),
                Err(error) => refusal(error),
            });
        }
        refused
    }

    fn add(&mut self, block: &Block<'_>, database: &Database) -> Indications {
        let limit = match block.extent {
            Extent::Count(count) => usize::from(count),
            Extent::All | Extent::Range { .. } => usize::MAX,
        };
        match (block.shape.meaning, block.extent) {
            (Meaning::Class(Class::Zero), Extent::All) => {
                for kind in Kind::ALL.iter().filter(|kind| !database.records(**kind).is_empty()) {
                    self.items.push(Item::Present { kind: *kind, variation: 0, next: 0, stop: u16::MAX });
                }
                Indications::NONE
            }
            (Meaning::Class(Class::Zero), _) => Indications::PARAMETER_ERROR,
            (Meaning::Class(class), _) => {
                self.add_events(Which::Classes(Classes::of(&[class])), 0, limit, database)
            }
            (Meaning::Point { .. } | Meaning::Any, _) => self.add_points(block, limit, database),
            (Meaning::Attribute, Extent::Range { start: 1.., .. }) => Indications::OBJECT_UNKNOWN,
            (Meaning::Attribute, _) => self.add_attributes(block.variation, database),
            (Meaning::Time, Extent::All | Extent::Count(1)) => {
                self.items.push(Item::Time);
                Indications::NONE
            }
            (Meaning::Time, _) => Indications::PARAMETER_ERROR,
            _ => Indications::OBJECT_UNKNOWN,
        }
    }

    fn add_points(&mut self, block: &Block<'_>, limit: usize, database: &Database) -> Indications {
        let Some((kind, event)) = point_group(block.group) else { return Indications::OBJECT_UNKNOWN };
        let records = database.records(kind);
        if records.is_empty() {
            return Indications::OBJECT_UNKNOWN;
        }
        // an octet string's variation is its length, whatever was asked for
        let variation = if kind == Kind::Octets { 0 } else { block.variation };
        if event {
            return match block.extent {
                Extent::Range { .. } => Indications::PARAMETER_ERROR,
                _ => self.add_events(Which::Kind(kind), variation, limit, database),
            };
        }
        let (next, stop) = match block.extent {
            Extent::All => (0, u16::MAX),
            Extent::Range { start, stop } => (start, stop),
            Extent::Count(count) => (0, count - 1),
        };
        self.items.push(Item::Present { kind, variation, next, stop });
        let there =
            records.partition_point(|r| r.index <= stop) - records.partition_point(|r| r.index < next);
        let asked = usize::from(stop) - usize::from(next) + 1;
        if block.extent == Extent::All || there == asked {
            Indications::NONE
        } else {
            Indications::PARAMETER_ERROR
        }
    }

    fn add_events(&mut self, which: Which, variation: u8, limit: usize, database: &Database) -> Indications {
        let left = database.events.count(which).min(limit);
        self.items.push(Item::Events { which, variation, left });
        Indications::NONE
    }

    fn add_attributes(&mut self, variation: u8, database: &Database) -> Indications {
        let (next, last) = if variation == ALL_ATTRIBUTES { (0, u8::MAX) } else { (variation, variation) };
        if database.attributes(next, last).next().is_none() {
            return Indications::OBJECT_UNKNOWN;
        }
        self.items.push(Item::Attributes { next, last });
        Indications::NONE
    }

    /// Adds to a fragment until it is full or everything is answered. Returns whether there are events in it; they are now under way.
    pub(super) fn fill(
        &mut self,
        database: &mut Database,
        clock: Timestamp,
        writer: &mut Writer<'_>,
    ) -> bool {
        let mut events = false;
        while let Some(item) = self.items.get_mut(self.at) {
            match item.fill(database, clock, writer) {
                Filled::Done { events: some } => {
                    events |= some;
                    self.at += 1;
                }
                Filled::Full { events: some } => return events | some,
            }
        }
        events
    }
}

/// How an item went into a fragment, and whether it brought events.
enum Filled {
    Done { events: bool },
    Full { events: bool },
}

impl Item {
    fn fill(&mut self, database: &mut Database, clock: Timestamp, writer: &mut Writer<'_>) -> Filled {
        let full = match self {
            Self::Present { kind, variation, next, stop } => {
                let records = database.records(*kind);
                let from = records.partition_point(|record| record.index < *next);
                let left = records[from..].iter().take_while(|record| record.index <= *stop);
                let unwritten = left.into_iter().find(|record| {
                    let (variation, layout) = record.form(*variation);
                    !writer.present(&record.point(), variation, layout)
                });
                unwritten.map(|record| *next = record.index).is_some()
            }
            Self::Events { which, variation, left } => {
                return fill_events(database, *which, *variation, left, writer);
            }
            Self::Attributes { next, last } => {
                let unwritten =
                    database.attributes(*next, *last).find(|(v, text)| !writer.attribute(*v, text));
                unwritten.map(|(v, _)| *next = v).is_some()
            }
            Self::Time => !writer.time(clock),
        };
        if full { Filled::Full { events: false } } else { Filled::Done { events: false } }
    }
}

fn fill_events(
    database: &mut Database,
    which: Which,
    variation: u8,
    left: &mut usize,
    writer: &mut Writer<'_>,
) -> Filled {
    let (mut events, mut from) = (false, 0);
    while *left > 0 {
        let Some((place, event)) = database.events.next(which, from) else { break };
        let (variation, layout) = event.form(variation);
        if !writer.event(&event.point(), variation, layout) {
            return Filled::Full { events };
        }
        database.events.sent(place);
        (events, from) = (true, place + 1);
        *left -= 1;
    }
    Filled::Done { events }
}

/// Adds the oldest events of some classes to a fragment, as many as fit. Returns whether there were any.
pub(super) fn fill_oldest(database: &mut Database, classes: Classes, writer: &mut Writer<'_>) -> bool {
    let mut all = usize::MAX;
    match fill_events(database, Which::Classes(classes), 0, &mut all, writer) {
        Filled::Done { events } | Filled::Full { events } => events,
    }
}

/// What is answered to objects that make no sense.
pub(super) const fn refusal(error: ObjectError) -> Indications {
    match error {
        ObjectError::UnknownObject { .. } => Indications::OBJECT_UNKNOWN,
        _ => Indications::PARAMETER_ERROR,
    }
}
