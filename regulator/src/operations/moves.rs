//! Tap changes in a stream of two numbers, the operation counter and the tap position.

use serde::{Deserialize, Serialize};

use crate::{Quantity, Reading, Timestamp, counter};

/// How long counter and tap may lag behind one another: they lie in different blocks of a poll, or in different events.
const LAG_S: f64 = 180.0;

/// What is remembered between readings: small, and cheap while nothing moves.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Moves {
    /// The last good tap.
    tap: Option<i32>,
    /// The last good counter and when it was read.
    counter: Option<(Timestamp, u64)>,
    /// Operations that one of the two has told and the other not yet, and when: positive told by the tap, negative by the counter.
    owed: Option<(Timestamp, i64)>,
}

/// What happened since the reading before.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Move {
    /// Position before, where reported.
    pub from: Option<i32>,
    /// Position after, where reported.
    pub to: Option<i32>,
    /// Operations: by the counter, else as many as the change of position takes at least.
    pub count: u64,
    /// Whether the counter told the count.
    pub counted: bool,
}

impl Move {
    /// Change of position, where both positions are known.
    #[must_use]
    pub fn steps(&self) -> Option<i32> {
        Some(self.to? - self.from?)
    }
}

impl Moves {
    /// The last good tap.
    #[must_use]
    pub const fn tap(&self) -> Option<i32> {
        self.tap
    }

    /// Takes the next reading; tells what moved since the one before. `modulus` is where the counter starts again at zero.
    ///
    /// The counter's difference is the count; the change of position is a lower bound, because moves between two polls can cancel
    /// (OpenDSS technical note "Counting Tap Operations", 2011). A jump of the counter counts nothing ([`counter::Step::Jumped`]).
    /// Where one of the two lags, the operation is told once, with whichever came first.
    pub fn observe(&mut self, modulus: u64, reading: &Reading) -> Option<Move> {
        let (from, to) = (self.tap, reading.good(Quantity::Tap).and_then(position));
        self.tap = to.or(from);
        let travel = from.zip(to).map_or(0, |(from, to)| i64::from((to - from).abs()));
        let counted = self.count(modulus, reading);
        if travel == 0 && counted == 0 {
            return None;
        }
        let owed = self.owed.filter(|(since, _)| crate::seconds(*since, reading.measured_at) <= LAG_S);
        let owed = owed.map_or(0, |(_, n)| n);
        let fresh_counted = (counted - owed.max(0)).max(0);
        let fresh_travel = (travel + owed.min(0)).max(0);
        let count = fresh_counted.max(fresh_travel);
        // Without a counter nobody will ever confirm what the tap told.
        let now_owed = if self.counter.is_some() { owed + travel - counted } else { 0 };
        // Moves that cancelled between two polls stay the counter's alone, once the tap has been seen with it.
        let settled = now_owed == 0 || (now_owed < 0 && to.is_some() && travel > 0);
        self.owed = (!settled).then_some((reading.measured_at, now_owed));
        (count > 0).then(|| Move {
            from,
            to,
            count: count.unsigned_abs(),
            counted: fresh_counted >= fresh_travel,
        })
    }

    fn count(&mut self, modulus: u64, reading: &Reading) -> i64 {
        let Some(value) = reading.good(Quantity::Operations).and_then(whole) else { return 0 };
        let at = reading.measured_at;
        let Some((earlier_at, earlier)) = self.counter.replace((at, value)) else { return 0 };
        if value == earlier {
            return 0;
        }
        let step = counter::step(earlier, value, modulus, crate::seconds(earlier_at, at));
        i64::try_from(step.operations()).unwrap_or(0)
    }
}

/// A tap position as a whole number; nothing beyond what any tap changer has.
#[allow(clippy::cast_possible_truncation, reason = "range checked")]
fn position(value: f64) -> Option<i32> {
    (value.abs() <= 1000.0).then(|| value.round() as i32)
}

/// A counter's value as a whole number; nothing if it is none.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "range checked")]
fn whole(value: f64) -> Option<u64> {
    (0.0..=9_007_199_254_740_992.0).contains(&value).then_some(value as u64)
}
