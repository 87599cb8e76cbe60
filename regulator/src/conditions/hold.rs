//! A yes or no that changes only on evidence: readings that contradict it, first and last of them a delay apart.
//!
//! Silence proves nothing: a delay is never satisfied by time alone, only by a reading. One reading that does not contradict the
//! present state starts the delay anew; one that says nothing (a missing value) is not shown to the hold at all.

use serde::{Deserialize, Serialize};

use super::{Change, packed::is_default};
use crate::Timestamp;

/// Seconds of evidence before a condition becomes true, and before it stops being so.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Delays {
    pub(super) on_s: f64,
    pub(super) off_s: f64,
}

/// The state of one such yes or no.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Hold {
    #[serde(skip_serializing_if = "is_default")]
    active: bool,
    /// First of the readings in a row that contradict the present state.
    #[serde(skip_serializing_if = "is_default")]
    run: Option<Timestamp>,
    /// First of the readings that led to the present or last time of being active.
    #[serde(skip_serializing_if = "is_default")]
    began: Option<Timestamp>,
}

impl Hold {
    pub(super) const fn is_active(&self) -> bool {
        self.active
    }

    /// Whether nothing is pending and nothing active.
    pub(super) const fn is_idle(&self) -> bool {
        !self.active && self.run.is_none()
    }

    /// Takes one reading's word: does it contradict the present state?
    pub(super) fn observe(&mut self, at: Timestamp, contradicts: bool, delays: Delays) -> Option<Change> {
        if !contradicts {
            self.run = None;
            return None;
        }
        let first = *self.run.get_or_insert(at);
        let delay = if self.active { delays.off_s } else { delays.on_s };
        if seconds(first, at) < delay {
            return None;
        }
        self.run = None;
        if self.active {
            self.active = false;
            return Some(Change::Returned);
        }
        self.active = true;
        self.began = Some(first);
        Some(Change::Raised)
    }

    /// Ends it at once.
    pub(super) const fn end(&mut self) {
        self.active = false;
        self.run = None;
    }

    /// Drops pending evidence: its times turned out to be wrong.
    pub(super) const fn forget_pending(&mut self) {
        self.run = None;
    }

    /// Seconds from the first reading that led to the present (or last) time of being active.
    pub(super) fn lasted_s(&self, at: Timestamp) -> f64 {
        self.began.map_or(0.0, |began| seconds(began, at)).max(0.0)
    }
}

/// Seconds from one instant to another.
#[allow(clippy::cast_precision_loss, reason = "whole milliseconds of centuries fit a double exactly")]
pub(super) fn seconds(from: Timestamp, to: Timestamp) -> f64 {
    (to - from).num_milliseconds() as f64 / 1000.0
}

/// So many seconds as a span of time, to the millisecond.
#[allow(clippy::cast_possible_truncation, reason = "delays are bounded by their parameters' ranges")]
pub(super) fn span_of(seconds: f64) -> chrono::TimeDelta {
    chrono::TimeDelta::milliseconds((seconds * 1000.0).round() as i64)
}

/// An instant some seconds later.
pub(super) fn later(from: Timestamp, seconds: f64) -> Timestamp {
    from + span_of(seconds)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::story::at;

    const DELAYS: Delays = Delays { on_s: 60.0, off_s: 120.0 };

    #[test]
    fn two_readings_a_delay_apart_are_evidence_and_silence_is_not() {
        let mut hold = Hold::default();
        assert_eq!(hold.observe(at(0), true, DELAYS), None);
        assert_eq!(hold.observe(at(59), true, DELAYS), None);
        assert_eq!(hold.observe(at(60), true, DELAYS), Some(Change::Raised));
        assert_eq!(hold.observe(at(70), true, DELAYS), None);
        assert_eq!(hold.observe(at(190), true, DELAYS), Some(Change::Returned));
    }

    #[test]
    fn one_reading_to_the_contrary_starts_the_delay_anew() {
        let mut hold = Hold::default();
        hold.observe(at(0), true, DELAYS);
        hold.observe(at(50), false, DELAYS);
        assert_eq!(hold.observe(at(60), true, DELAYS), None);
        assert_eq!(hold.observe(at(119), true, DELAYS), None);
        assert_eq!(hold.observe(at(120), true, DELAYS), Some(Change::Raised));
        assert!((hold.lasted_s(at(300)) - 240.0).abs() < 1e-9);
    }

    #[test]
    fn no_delay_means_the_first_reading() {
        let mut hold = Hold::default();
        let none = Delays { on_s: 0.0, off_s: 0.0 };
        assert_eq!(hold.observe(at(0), true, none), Some(Change::Raised));
        assert_eq!(hold.observe(at(1), true, none), Some(Change::Returned));
    }
}
