//! Readings of a stretch of time, as a poller would have had them.

use chrono::TimeDelta;
use regulator::{Reading, Timestamp};

use crate::Fleet;

/// Everything polled at one instant.
#[derive(Debug, Clone)]
pub struct Polled {
    /// When.
    pub at: Timestamp,
    /// Readings by number of the regulator; those behind an endpoint that was out are missing.
    pub readings: Vec<(usize, Reading)>,
    /// Endpoints that did not answer, by number.
    pub silent: Vec<usize>,
}

/// Lets a fleet run and polls it as it goes.
#[derive(Debug)]
pub struct History<'a> {
    fleet: &'a mut Fleet,
    next: Timestamp,
    to: Timestamp,
    cadence: TimeDelta,
}

/// Polls the whole fleet every `cadence` (at least a second) from `from` on, before `to`; the fleet is left at the last instant
/// polled. What lies before the fleet's present instant cannot be had any more and is left out.
pub fn history(fleet: &mut Fleet, from: Timestamp, to: Timestamp, cadence: TimeDelta) -> History<'_> {
    let cadence = cadence.max(TimeDelta::seconds(1));
    let mut next = from;
    while next < fleet.now() {
        next += cadence;
    }
    History { fleet, next, to, cadence }
}

impl Iterator for History<'_> {
    type Item = Polled;

    fn next(&mut self) -> Option<Polled> {
        if self.next >= self.to {
            return None;
        }
        self.fleet.advance_to(self.next);
        let polled = self.fleet.poll();
        self.next += self.cadence;
        Some(polled)
    }
}

impl Fleet {
    /// Everything there is to poll now.
    #[must_use]
    pub fn poll(&self) -> Polled {
        Polled {
            at: self.now(),
            readings: (0..self.len()).filter_map(|r| Some((r, self.reading(r)?))).collect(),
            silent: (0..self.endpoint_count()).filter(|e| self.is_out(*e)).collect(),
        }
    }
}
