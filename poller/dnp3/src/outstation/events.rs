//! The buffer of events: bounded, in the order in which they happened, kept until they are confirmed.

use std::collections::VecDeque;

use super::point::{self, Held};
use crate::application::Indications;
use crate::objects::{Class, Classes, Flags, Kind, Layout, Point, Time};

/// One event.
#[derive(Debug, Clone)]
pub(super) struct Event {
    pub(super) kind: Kind,
    pub(super) index: u16,
    pub(super) class: Class,
    /// The variation it goes out in when none is asked for.
    pub(super) variation: u8,
    pub(super) held: Held,
    pub(super) flags: Flags,
    pub(super) time: Time,
    /// It is in a fragment that awaits confirmation.
    pub(super) sent: bool,
}

impl Event {
    pub(super) fn point(&self) -> Point<'_> {
        Point {
            kind: self.kind,
            index: self.index,
            event: true,
            value: self.held.value(),
            flags: Some(self.flags),
            time: Some(self.time),
        }
    }

    /// The variation and the form in which it goes out when `asked` is asked for, 0 being any.
    pub(super) fn form(&self, asked: u8) -> (u8, Layout) {
        let variation = match (&self.held, asked) {
            (Held::Octets(octets), _) => return point::octets_form(octets),
            (_, 0) => self.variation,
            (_, asked) => asked,
        };
        (variation, point::layout(self.kind.event_group(), variation))
    }
}

/// Which events are meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Which {
    /// Those of some classes.
    Classes(Classes),
    /// Those of one kind of point.
    Kind(Kind),
}

impl Which {
    fn includes(self, event: &Event) -> bool {
        match self {
            Self::Classes(classes) => classes.contains(event.class),
            Self::Kind(kind) => event.kind == kind,
        }
    }
}

/// Events that wait for somebody to confirm them.
#[derive(Debug)]
pub(super) struct Events {
    waiting: VecDeque<Event>,
    capacity: usize,
    overflowed: bool,
    /// How many of class 1, 2 and 3 are in no fragment that awaits confirmation.
    unsent: [usize; 3],
}

impl Events {
    pub(super) fn new(capacity: usize) -> Self {
        Self { waiting: VecDeque::new(), capacity, overflowed: false, unsent: [0; 3] }
    }

    #[cfg(test)]
    pub(super) fn iter(&self) -> impl Iterator<Item = &Event> {
        self.waiting.iter()
    }

    pub(super) fn len(&self) -> usize {
        self.waiting.len()
    }

    /// Adds an event. When there is no room the oldest is lost, even one that is under way.
    pub(super) fn push(&mut self, event: Event) {
        if self.waiting.len() >= self.capacity {
            self.overflowed = true;
            match self.waiting.pop_front() {
                Some(lost) if !lost.sent => self.unsent[slot(lost.class)] -= 1,
                Some(_) => {}
                None => return,
            }
        }
        self.unsent[slot(event.class)] += 1;
        self.waiting.push_back(event);
    }

    /// How many are meant and not under way.
    pub(super) fn count(&self, which: Which) -> usize {
        match which {
            Which::Classes(classes) => self.unsent(classes),
            Which::Kind(_) => {
                self.waiting.iter().filter(|event| !event.sent && which.includes(event)).count()
            }
        }
    }

    /// The first event from `place` on that is meant and not under way, and its place.
    pub(super) fn next(&self, which: Which, place: usize) -> Option<(usize, &Event)> {
        let from = self.waiting.range(place.min(self.waiting.len())..);
        let found = from.enumerate().find(|(_, event)| !event.sent && which.includes(event));
        found.map(|(offset, event)| (place + offset, event))
    }

    /// The event at a place is now in a fragment that awaits confirmation.
    pub(super) fn sent(&mut self, place: usize) {
        if let Some(event) = self.waiting.get_mut(place).filter(|event| !event.sent) {
            event.sent = true;
            self.unsent[slot(event.class)] -= 1;
        }
    }

    /// What was under way has arrived.
    pub(super) fn confirmed(&mut self) {
        self.waiting.retain(|event| !event.sent);
        self.overflowed &= self.waiting.len() >= self.capacity;
    }

    /// What was under way has not arrived, as far as is known.
    pub(super) fn released(&mut self) {
        for event in self.waiting.iter_mut().filter(|event| event.sent) {
            event.sent = false;
            self.unsent[slot(event.class)] += 1;
        }
    }

    pub(super) fn clear(&mut self) {
        self.waiting.clear();
        self.unsent = [0; 3];
        self.overflowed = false;
    }

    /// How many of some classes are in no fragment that awaits confirmation.
    pub(super) fn unsent(&self, classes: Classes) -> usize {
        Class::EVENTS.iter().filter(|c| classes.contains(**c)).map(|c| self.unsent[slot(*c)]).sum()
    }

    /// What they add to the internal indications. Events that are under way are not told of again.
    pub(super) fn indications(&self) -> Indications {
        let bits = [Indications::CLASS_1, Indications::CLASS_2, Indications::CLASS_3];
        let pending = bits.iter().zip(self.unsent).filter(|(_, n)| *n > 0);
        let all = pending.fold(Indications::NONE, |all, (bit, _)| all.with(*bit));
        if self.overflowed { all.with(Indications::EVENT_OVERFLOW) } else { all }
    }
}

const fn slot(class: Class) -> usize {
    match class {
        Class::Zero | Class::One => 0,
        Class::Two => 1,
        Class::Three => 2,
    }
}
