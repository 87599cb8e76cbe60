//! What the outstation knows: points, attributes, and the events that its points have made.

use super::events::Events;
use super::point::{PointConfig, PointError, Record};
use crate::objects::{Flags, Kind, Point, Time, Value};

/// Points of every kind, device attributes, and the buffer of events.
#[derive(Debug)]
pub struct Database {
    /// By kind, each in the order of its indices.
    records: [Vec<Record>; Kind::ALL.len()],
    /// By variation of group 0, set 0.
    attributes: Vec<(u8, String)>,
    pub(super) events: Events,
}

impl Database {
    /// An empty one that keeps at most so many events, of all classes together.
    #[must_use]
    pub fn new(event_capacity: usize) -> Self {
        Self { records: Default::default(), attributes: Vec::new(), events: Events::new(event_capacity) }
    }

    /// Adds a point. Until it is updated it is off line and marked as restarted.
    ///
    /// # Errors
    /// [`PointError::Twice`] when there is one of this kind and index; [`PointError::WrongVariation`] when its kind has no such variation.
    pub fn add(&mut self, kind: Kind, index: u16, config: PointConfig) -> Result<(), PointError> {
        config.check(kind)?;
        let records = &mut self.records[kind as usize];
        match records.binary_search_by_key(&index, |record| record.index) {
            Ok(_) => Err(PointError::Twice(kind, index)),
            Err(place) => {
                records.insert(place, Record::new(kind, index, config));
                Ok(())
            }
        }
    }

    /// Gives a point its value, and says whether that made an event: it does if the point has a class, and the flags changed or the value
    /// differs from the last event's by more than the deadband. `time` is by the device's clock.
    ///
    /// # Errors
    /// [`PointError::Missing`] when there is no such point; [`PointError::WrongValue`] when it is of another kind.
    pub fn update(
        &mut self,
        kind: Kind,
        index: u16,
        value: Value<'_>,
        flags: Flags,
        time: Time,
    ) -> Result<bool, PointError> {
        let place = self.place(kind, index).ok_or(PointError::Missing(kind, index))?;
        let event = self.records[kind as usize][place].update(value, flags, time)?;
        let made = event.is_some();
        if let Some(event) = event {
            self.events.push(event);
        }
        Ok(made)
    }

    /// The present value of a point.
    #[must_use]
    pub fn point(&self, kind: Kind, index: u16) -> Option<Point<'_>> {
        self.place(kind, index).map(|place| self.records[kind as usize][place].point())
    }

    /// Sets a device attribute of the standard's set: a variation of group 0 (see [`crate::objects::attribute::variation`]) and its text.
    pub fn set_attribute(&mut self, variation: u8, text: &str) {
        match self.attributes.binary_search_by_key(&variation, |(v, _)| *v) {
            Ok(place) => text.clone_into(&mut self.attributes[place].1),
            Err(place) => self.attributes.insert(place, (variation, text.to_owned())),
        }
    }

    /// How many events wait to be confirmed.
    #[must_use]
    pub fn waiting_events(&self) -> usize {
        self.events.len()
    }

    pub(super) fn records(&self, kind: Kind) -> &[Record] {
        &self.records[kind as usize]
    }

    /// The attributes from one variation to another.
    pub(super) fn attributes(&self, first: u8, last: u8) -> impl Iterator<Item = (u8, &str)> {
        let all = self.attributes.iter().map(|(variation, text)| (*variation, text.as_str()));
        all.filter(move |(variation, _)| (first..=last).contains(variation))
    }

    /// Where a point is. Most devices number from 0 without gaps, so the index itself is tried first.
    fn place(&self, kind: Kind, index: u16) -> Option<usize> {
        let records = &self.records[kind as usize];
        match records.get(usize::from(index)) {
            Some(record) if record.index == index => Some(usize::from(index)),
            _ => records.binary_search_by_key(&index, |record| record.index).ok(),
        }
    }
}
