//! Whether a bank moves all together, told by itself from its taps.
//!
//! A ganged bank, or one whose phases follow a leader, keeps all taps equal and moves them within seconds of one another. Equal
//! taps alone prove nothing (three units that rest on neutral are equal too), so a bank is taken to move together once its taps
//! have been equal for a long time through many moves, never apart for longer than a mechanism and a poll take. From then on
//! it is so taken until told otherwise: that it does so no longer is what is watched for. Common practice, no standard.

use serde::{Deserialize, Serialize};

use crate::Timestamp;

/// What it takes to believe that a bank moves together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Evidence {
    /// Taps equal for at least so long, seconds.
    pub equal_s: f64,
    /// And moved together at least so often.
    pub moves: u32,
    /// Apart for no longer than this, seconds: mechanisms and polls that are not in step.
    pub grace_s: f64,
}

/// What is known of a bank so far.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Lockstep {
    together: bool,
    equal_since: Option<Timestamp>,
    apart_since: Option<Timestamp>,
    tap: Option<f64>,
    moves: u32,
    /// Once apart for longer than mechanisms and polls take.
    was_apart: bool,
}

impl Lockstep {
    /// Whether the bank is taken to move together.
    #[must_use]
    pub const fn together(&self) -> bool {
        self.together
    }

    /// Whether nothing has been seen yet that a bank which moves together would not do: so taken where the other way would be
    /// rash.
    #[must_use]
    pub const fn may_be_together(&self) -> bool {
        self.together || (self.equal_since.is_some() && !self.was_apart)
    }

    /// Takes the taps of one instant: the tap where all are equal, nothing where they are not.
    pub fn observe(&mut self, at: Timestamp, common: Option<f64>, evidence: &Evidence) {
        if self.together {
            return;
        }
        let Some(tap) = common else {
            let apart = *self.apart_since.get_or_insert(at);
            if seconds(apart, at) > evidence.grace_s {
                self.fell_apart();
            }
            return;
        };
        // apart once, and the next that is known is far later: how long they were apart is not known
        if self.apart_since.take().is_some_and(|apart| seconds(apart, at) > evidence.grace_s) {
            self.fell_apart();
        }
        let since = *self.equal_since.get_or_insert(at);
        if self.tap.replace(tap).is_some_and(|before| before != tap) {
            self.moves += 1;
        }
        if self.moves >= evidence.moves && seconds(since, at) >= evidence.equal_s {
            *self = Self { together: true, ..Self::default() };
        }
    }

    const fn fell_apart(&mut self) {
        (self.equal_since, self.moves, self.tap) = (None, 0, None);
        self.was_apart = true;
    }

    /// Drops evidence that is not enough yet: its times turned out to be wrong.
    pub fn forget_pending(&mut self) {
        *self = Self { together: self.together, was_apart: self.was_apart, ..Self::default() };
    }
}

#[allow(clippy::cast_precision_loss, reason = "whole milliseconds of centuries fit a double exactly")]
fn seconds(from: Timestamp, to: Timestamp) -> f64 {
    (to - from).num_milliseconds() as f64 / 1000.0
}

#[cfg(test)]
mod tests {
    use super::*;

    const EVIDENCE: Evidence = Evidence { equal_s: 3600.0, moves: 5, grace_s: 60.0 };

    fn at(s: i64) -> Timestamp {
        Timestamp::from_timestamp(1_767_225_600 + s, 0).unwrap()
    }

    fn watch(tap: impl Fn(i64) -> Option<f64>) -> bool {
        let mut lockstep = Lockstep::default();
        (0..7200).step_by(10).for_each(|s| lockstep.observe(at(s), tap(s), &EVIDENCE));
        lockstep.together()
    }

    #[test]
    fn equal_through_many_moves_is_together_and_resting_is_not() {
        #[allow(clippy::cast_precision_loss)]
        let moving = |s: i64| (s / 600) as f64;
        assert!(watch(|s| Some(moving(s))));
        assert!(!watch(|_| Some(0.0)), "at rest");
        assert!(watch(|s| (s % 600 >= 20).then(|| moving(s))), "20 s apart at each move");
        assert!(!watch(|s| (s % 600 >= 120).then(|| moving(s))), "two minutes apart at each move");
    }

    #[test]
    fn a_bank_may_be_together_until_it_has_been_apart() {
        let mut lockstep = Lockstep::default();
        assert!(!lockstep.may_be_together(), "nothing is known");
        lockstep.observe(at(0), Some(3.0), &EVIDENCE);
        assert!(lockstep.may_be_together() && !lockstep.together());
        for s in (10..100).step_by(10) {
            lockstep.observe(at(s), None, &EVIDENCE);
        }
        lockstep.observe(at(100), Some(4.0), &EVIDENCE);
        assert!(!lockstep.may_be_together(), "equal again by chance");
    }

    #[test]
    fn once_told_it_stays() {
        let mut lockstep = Lockstep { together: true, ..Lockstep::default() };
        (0..100_000).step_by(600).for_each(|s| lockstep.observe(at(s), None, &EVIDENCE));
        assert!(lockstep.together());
    }

    #[test]
    fn a_gap_while_apart_is_no_evidence_of_being_together() {
        let mut lockstep = Lockstep::default();
        for (s, common) in [(0, Some(0.0)), (10, None), (4000, Some(1.0)), (4010, Some(2.0))] {
            lockstep.observe(at(s), common, &Evidence { moves: 1, ..EVIDENCE });
        }
        assert!(!lockstep.together());
    }
}
