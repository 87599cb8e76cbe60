//! One reading on its way into the table, small enough that a batch of them is sorted cheaply.

use std::ops::Deref;

use chrono::TimeDelta;
use regulator::Reading;

/// Most changes of one quantity within a millisecond that are kept apart; no mechanism makes two.
const MOST_ASIDE: i64 = 50;

/// A reading to be written, with the key it has in the table: times there are whole microseconds.
#[derive(Debug)]
pub(super) struct Entry<'a> {
    pub(super) regulator_id: i32,
    pub(super) at_us: i64,
    pub(super) reading: Held<'a>,
}

/// A reading as it was given, or what became of several of one instant.
///
/// A `Cow` would hold the whole reading in place, and sorting a large batch would move every one of them many times.
#[derive(Debug)]
pub(super) enum Held<'a> {
    Given(&'a Reading),
    Merged(Box<Reading>),
}

impl Entry<'_> {
    /// Whether it may still move. A device whose clock stands still is no reason to walk for ever: beyond so many changes
    /// in one millisecond the latest stands for all.
    pub(super) const fn may_step_aside(&self) -> bool {
        self.at_us.rem_euclid(1000) < MOST_ASIDE
    }

    /// Moves it a microsecond later: finer than any device's clock, and the same each time its events are told again.
    pub(super) fn step_aside(&mut self) {
        self.at_us += 1;
        let mut own = Box::new((*self.reading).clone());
        own.measured_at += TimeDelta::microseconds(1);
        self.reading = Held::Merged(own);
    }
}

impl Held<'_> {
    /// Joins another reading of the same instant into this one.
    pub(super) fn merge(&mut self, other: &Reading) {
        if let Self::Merged(own) = self {
            own.merge(other);
        } else {
            let mut own = Box::new((**self).clone());
            own.merge(other);
            *self = Self::Merged(own);
        }
    }
}

impl Deref for Held<'_> {
    type Target = Reading;

    fn deref(&self) -> &Reading {
        match self {
            Self::Given(reading) => reading,
            Self::Merged(reading) => reading,
        }
    }
}
