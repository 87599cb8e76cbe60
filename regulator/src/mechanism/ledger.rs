//! What the tap report and the operation counter each say, compared once both are at rest.
//!
//! A poll sees positions, not moves: the difference of two taps is the least number of operations between them, and the counter's
//! difference is their number (OpenDSS tech note "Counting Tap Operations", 2011, for the principle). So the counter may exceed the
//! tap's travel, but only by an even number (out and back), and never fall short. Tap and counter may be read, or reported by
//! events, some seconds apart: both are compared only when neither has changed for a while. A stretch in which the counter jumped
//! or restarted, or one of the two was never reported, is not compared.

use serde::{Deserialize, Serialize};

use crate::{
    Quantity, Reading, Timestamp, counter,
    dwell::{position, whole},
};

/// The state. Small; one per regulator.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Ledger {
    tap: Option<i32>,
    counter: Option<(Timestamp, u64)>,
    /// When one of the two last changed, while the change awaits comparison.
    changed: Option<Timestamp>,
    counted: u64,
    moved: u64,
    /// The counter jumped or restarted in this stretch.
    broken: bool,
}

/// What one reading adds.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct News {
    /// The tap is another than before: from, to.
    pub moved: Option<(i32, i32)>,
    /// The counter is another than before.
    pub counted: Option<counter::Step>,
    /// A stretch of operations is over.
    pub settled: Option<Settled>,
}

/// A stretch of operations that is over.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Settled {
    /// Operations by the counter.
    pub counted: u64,
    /// Least number of operations by the tap report.
    pub moved: u64,
    /// Where the tap rests.
    pub tap: Option<i32>,
    /// How the two compare.
    pub verdict: Verdict,
}

/// How counter and tap report compare over a stretch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// They can both be right.
    Agree,
    /// The tap travelled further than the counter counted.
    CountedTooFew,
    /// The counter counted operations that cannot end where the tap is said to rest.
    CountedOdd,
    /// One is not reported, or the counter jumped or restarted.
    CannotTell,
}

impl Ledger {
    /// Takes one reading. Nothing is compared before both have been the same for `settle_s`. Readings come in order of time.
    pub fn observe(&mut self, reading: &Reading, modulus: u64, settle_s: f64) -> News {
        let mut news = News::default();
        let at = reading.measured_at;
        if let Some(tap) = reading.good(Quantity::Tap).and_then(position)
            && let Some(before) = self.tap.replace(tap)
            && before != tap
        {
            news.moved = Some((before, tap));
            self.moved += u64::from(tap.abs_diff(before));
        }
        if let Some(value) = reading.good(Quantity::Operations).and_then(whole)
            && let Some((then, before)) = self.counter.replace((at, value))
            && before != value
        {
            let step = counter::step(before, value, modulus, seconds(then, at));
            news.counted = Some(step);
            match step {
                counter::Step::Counted(n) | counter::Step::RolledOver(n) => self.counted += n,
                counter::Step::Restarted(_) | counter::Step::Jumped => self.broken = true,
            }
        }
        if news.moved.is_some() || news.counted.is_some() {
            self.changed = Some(at);
        } else if self.changed.is_some_and(|changed| seconds(changed, at) >= settle_s) {
            news.settled = Some(self.settle());
        }
        news
    }

    /// Where the tap was last said to be.
    #[must_use]
    pub const fn tap(&self) -> Option<i32> {
        self.tap
    }

    /// What the counter last showed.
    #[must_use]
    pub fn counter(&self) -> Option<u64> {
        self.counter.map(|(_, value)| value)
    }

    /// Forgets instants (they turned out to be wrong), and with them what awaits comparison.
    pub fn forget(&mut self) {
        *self = Self::default();
    }

    fn settle(&mut self) -> Settled {
        let (counted, moved) = (self.counted, self.moved);
        let verdict = if self.broken || self.tap.is_none() || self.counter.is_none() {
            Verdict::CannotTell
        } else if moved > counted {
            Verdict::CountedTooFew
        } else if (counted - moved) % 2 == 1 {
            Verdict::CountedOdd
        } else {
            Verdict::Agree
        };
        *self = Self { tap: self.tap, counter: self.counter, ..Self::default() };
        Settled { counted, moved, tap: self.tap, verdict }
    }
}

#[allow(clippy::cast_precision_loss, reason = "whole milliseconds of centuries fit a double exactly")]
fn seconds(from: Timestamp, to: Timestamp) -> f64 {
    (to - from).num_milliseconds() as f64 / 1000.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Readings ten seconds apart, each with tap and counter; the verdicts on the way.
    fn verdicts(values: &[(f64, f64)]) -> Vec<Verdict> {
        let mut ledger = Ledger::default();
        let reading = |i: usize, (tap, counter): (f64, f64)| {
            let at = Timestamp::UNIX_EPOCH + chrono::TimeDelta::seconds(10 * i64::try_from(i).unwrap());
            Reading::new(at).with(Quantity::Tap, tap).with(Quantity::Operations, counter)
        };
        let readings = values.iter().enumerate().map(|(i, v)| reading(i, *v));
        readings.filter_map(|r| ledger.observe(&r, 65_536, 60.0).settled).map(|s| s.verdict).collect()
    }

    fn resting(from: (f64, f64), to: (f64, f64)) -> Vec<Verdict> {
        verdicts(&[&[from; 2][..], &[to; 10][..]].concat())
    }

    #[test]
    fn the_counter_may_exceed_the_taps_travel_by_an_even_number_only() {
        assert_eq!(resting((3.0, 100.0), (5.0, 102.0)), [Verdict::Agree]);
        assert_eq!(resting((3.0, 100.0), (5.0, 104.0)), [Verdict::Agree], "out and back between polls");
        assert_eq!(resting((3.0, 100.0), (5.0, 103.0)), [Verdict::CountedOdd]);
        assert_eq!(resting((3.0, 100.0), (3.0, 101.0)), [Verdict::CountedOdd]);
        assert_eq!(resting((3.0, 100.0), (5.0, 101.0)), [Verdict::CountedTooFew]);
        assert_eq!(resting((-1.0, 65_535.0), (1.0, 1.0)), [Verdict::Agree], "through rollover");
        assert_eq!(resting((3.0, 40_000.0), (5.0, 1.0)), [Verdict::CannotTell], "restarted");
        assert_eq!(resting((3.0, 100.0), (3.0, 100.0)), []);
    }

    #[test]
    fn a_tap_told_after_its_count_is_waited_for() {
        let story = [&[(3.0, 100.0)][..], &[(3.0, 101.0); 4], &[(4.0, 101.0); 8]].concat();
        assert_eq!(verdicts(&story), [Verdict::Agree]);
    }

    #[test]
    fn without_a_counter_nothing_is_compared() {
        let mut ledger = Ledger::default();
        let told: Vec<_> = (0..20)
            .map(|i| Timestamp::UNIX_EPOCH + chrono::TimeDelta::seconds(10 * i))
            .map(|at| Reading::new(at).with(Quantity::Tap, if at.timestamp() < 50 { 1.0 } else { 2.0 }))
            .filter_map(|r| ledger.observe(&r, 65_536, 60.0).settled)
            .collect();
        assert_eq!(told.len(), 1);
        assert_eq!((told[0].verdict, told[0].moved), (Verdict::CannotTell, 1));
    }
}
