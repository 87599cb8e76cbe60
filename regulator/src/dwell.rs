//! Dwell: how long contacts have not moved, on one tap or on one side of neutral.
//!
//! Contacts that stay put under oil grow films and then hard carbon, which raises their resistance, heats them and feeds itself
//! (EPRI 1001946, Mechanism of Coking, 2001; NTPC OGN/OPS/ELEC/018, 1994). Moving wipes them. The reversing switch moves only when
//! the tap passes from one side of neutral to the other, so it can stand still for years while the counter runs.
//!
//! What is known is what was reported: a stay is counted from the first reading that showed it ("at least"), a move made between
//! two readings from the second of them. An operation counted while the tap stayed the same was out and back: the contacts
//! have moved, the reversing switch has not (for all that is known).

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::{Quantity, Reading, Timestamp, counter};

/// Time at each tap, whole seconds. Can be stored and added.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct TapTime {
    seconds: BTreeMap<i32, u64>,
    /// Seconds between readings too far apart to say where the tap was.
    pub unknown_s: u64,
}

impl TapTime {
    /// Of these taps with their seconds, and the seconds that are not known.
    #[must_use]
    pub fn of(taps: impl IntoIterator<Item = (i32, u64)>, unknown_s: u64) -> Self {
        let seconds = taps.into_iter().filter(|(_, s)| *s > 0).collect();
        Self { seconds, unknown_s }
    }

    /// Seconds at this tap.
    #[must_use]
    pub fn at(&self, tap: i32) -> u64 {
        self.seconds.get(&tap).copied().unwrap_or(0)
    }

    /// Every tap that was held, with its seconds, lowest first.
    pub fn taps(&self) -> impl Iterator<Item = (i32, u64)> {
        self.seconds.iter().map(|(tap, s)| (*tap, *s))
    }

    /// Seconds for which the tap is known.
    #[must_use]
    pub fn known_s(&self) -> u64 {
        self.seconds.values().sum()
    }

    /// The tap held longest, the lowest of them when alike.
    #[must_use]
    pub fn longest(&self) -> Option<(i32, u64)> {
        self.taps().reduce(|a, b| if b.1 > a.1 { b } else { a })
    }

    /// Counts the time from one reading to the next at the tap that the first showed; beyond `longest_gap_s` it is unknown.
    pub fn note(&mut self, (from, tap): (Timestamp, i32), to: Timestamp, longest_gap_s: u64) {
        let Ok(s) = u64::try_from((to - from).num_seconds()) else { return };
        if s > longest_gap_s {
            self.unknown_s += s;
        } else if s > 0 {
            *self.seconds.entry(tap).or_default() += s;
        }
    }
}

impl std::ops::AddAssign<&Self> for TapTime {
    fn add_assign(&mut self, other: &Self) {
        for (tap, s) in other.taps() {
            *self.seconds.entry(tap).or_default() += s;
        }
        self.unknown_s += other.unknown_s;
    }
}

/// The present stay: on one tap, and on one side of neutral. Small; one per regulator.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Stay {
    tap: Option<i32>,
    counter: Option<(Timestamp, u64)>,
    /// When the contacts were last seen to have moved, or first seen at all.
    since: Option<Timestamp>,
    /// Sign of the last tap off neutral; 0 while none was seen.
    side: i32,
    /// When the tap was last seen on a new side, or first seen at all.
    side_since: Option<Timestamp>,
}

/// What moved between two readings.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Moved {
    /// The contacts: another tap, or an operation counted.
    pub contacts: bool,
    /// The reversing switch: the tap is on the other side of neutral.
    pub reversing: bool,
}

impl Stay {
    /// Takes one reading. Readings come in order of time.
    pub fn observe(&mut self, reading: &Reading, modulus: u64) -> Moved {
        let at = reading.measured_at;
        let mut moved = Moved::default();
        if let Some(tap) = reading.good(Quantity::Tap).and_then(position) {
            moved.contacts = self.tap.replace(tap).is_some_and(|before| before != tap);
            let side = tap.signum();
            moved.reversing = self.side * side < 0;
            self.side = if side == 0 { self.side } else { side };
            if moved.reversing || self.side_since.is_none() {
                self.side_since = Some(at);
            }
        }
        if let Some(value) = reading.good(Quantity::Operations).and_then(whole) {
            let before = self.counter.replace((at, value));
            moved.contacts |= before.is_some_and(|(then, before)| counted(then, before, at, value, modulus));
        }
        let seen = self.tap.is_some() || self.counter.is_some();
        if moved.contacts || (seen && self.since.is_none()) {
            self.since = Some(at);
        }
        moved
    }

    /// Where the tap was last seen.
    #[must_use]
    pub const fn tap(&self) -> Option<i32> {
        self.tap
    }

    /// Since when, at the latest, the contacts have not moved.
    #[must_use]
    pub const fn since(&self) -> Option<Timestamp> {
        self.since
    }

    /// Since when, at the latest, the reversing switch has not moved.
    #[must_use]
    pub const fn side_since(&self) -> Option<Timestamp> {
        self.side_since
    }

    /// The side of neutral: 1 raise, -1 lower, 0 while none was seen.
    #[must_use]
    pub const fn side(&self) -> i32 {
        self.side
    }

    /// Forgets instants: they turned out to be wrong. The stay begins again with the next reading.
    pub const fn forget(&mut self) {
        self.since = None;
        self.side_since = None;
        self.counter = None;
    }
}

/// When a unit should be exercised.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExerciseRule {
    /// Days on one tap.
    pub tap_days: f64,
    /// Days on one side of neutral.
    pub side_days: f64,
}

impl Default for ExerciseRule {
    /// Two months on one tap, a year on one side (common practice: through neutral about once a year).
    fn default() -> Self {
        Self { tap_days: 60.0, side_days: 365.0 }
    }
}

/// What is due, as days not moved; nothing where it is not.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Due {
    /// The contacts.
    pub tap_days: Option<f64>,
    /// The reversing switch.
    pub side_days: Option<f64>,
}

impl ExerciseRule {
    /// What is due at this instant.
    #[must_use]
    pub fn due(&self, stay: &Stay, at: Timestamp) -> Due {
        let over = |since: Option<Timestamp>, limit: f64| since.map(|s| days(s, at)).filter(|d| *d >= limit);
        Due { tap_days: over(stay.since, self.tap_days), side_days: over(stay.side_since, self.side_days) }
    }
}

/// Days from one instant to another.
#[must_use]
#[allow(clippy::cast_precision_loss, reason = "milliseconds of centuries fit a double exactly")]
pub(crate) fn days(from: Timestamp, to: Timestamp) -> f64 {
    (to - from).num_milliseconds() as f64 / 86_400_000.0
}

#[inline]
fn counted(then: Timestamp, before: u64, at: Timestamp, value: u64, modulus: u64) -> bool {
    before != value
        && matches!(
            counter::step(before, value, modulus, days(then, at) * 86_400.0),
            counter::Step::Counted(_) | counter::Step::RolledOver(_)
        )
}

/// A reported tap as a whole position; nothing if it is none.
#[allow(clippy::cast_possible_truncation, reason = "range checked")]
pub(crate) fn position(tap: f64) -> Option<i32> {
    (tap.abs() <= 100.0).then(|| tap.round() as i32)
}

/// A counter's value as a whole number; nothing if it is none.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "range checked")]
#[must_use]
pub fn whole(value: f64) -> Option<u64> {
    (0.0..=9_007_199_254_740_992.0).contains(&value).then_some(value as u64)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(hours: i64) -> Timestamp {
        Timestamp::UNIX_EPOCH + chrono::TimeDelta::hours(hours)
    }

    fn see(stay: &mut Stay, hours: i64, tap: f64, counter: f64) -> Moved {
        let reading = Reading::new(at(hours)).with(Quantity::Tap, tap).with(Quantity::Operations, counter);
        stay.observe(&reading, 65_536)
    }

    #[test]
    fn a_stay_ends_with_another_tap_or_a_counted_operation() {
        let mut stay = Stay::default();
        assert_eq!(see(&mut stay, 0, 3.0, 10.0), Moved::default());
        see(&mut stay, 5, 3.0, 10.0);
        assert_eq!(stay.since(), Some(at(0)));
        assert!(see(&mut stay, 6, 3.0, 12.0).contacts, "out and back");
        assert_eq!(stay.since(), Some(at(6)));
        assert!(see(&mut stay, 7, 4.0, 13.0).contacts);
        assert!(!see(&mut stay, 8, 4.0, 2.0).contacts, "a counter set back is no move");
        assert_eq!(stay.since(), Some(at(7)));
    }

    #[test]
    fn the_reversing_switch_moves_on_the_far_side_of_neutral_only() {
        let mut stay = Stay::default();
        for (hours, tap, reverses) in [
            (0, 2.0, false),
            (1, 0.0, false),
            (2, 1.0, false),
            (3, 0.0, false),
            (4, -1.0, true),
            (5, 3.0, true),
        ] {
            assert_eq!(see(&mut stay, hours, tap, 0.0).reversing, reverses, "{hours}");
        }
        assert_eq!((stay.side(), stay.side_since()), (1, Some(at(5))));
    }

    #[test]
    fn what_is_due_by_the_usual_rule() {
        let mut stay = Stay::default();
        see(&mut stay, 0, 3.0, 0.0);
        let rule = ExerciseRule::default();
        assert_eq!(rule.due(&stay, at(59 * 24)), Due::default());
        assert_eq!(rule.due(&stay, at(60 * 24)), Due { tap_days: Some(60.0), side_days: None });
        see(&mut stay, 300 * 24, 4.0, 1.0);
        assert_eq!(rule.due(&stay, at(365 * 24)), Due { tap_days: Some(65.0), side_days: Some(365.0) });
        assert_eq!(rule.due(&Stay::default(), at(9999 * 24)), Due::default(), "nothing is known");
    }

    #[test]
    fn time_is_counted_where_it_is_known_and_adds_up() {
        let mut time = TapTime::default();
        time.note((at(0), 3), at(1), 7200);
        time.note((at(1), 3), at(3), 7200);
        time.note((at(3), -2), at(4), 7200);
        time.note((at(4), -2), at(9), 7200);
        assert_eq!((time.at(3), time.at(-2), time.unknown_s), (3 * 3600, 3600, 5 * 3600));
        assert_eq!((time.known_s(), time.longest()), (4 * 3600, Some((3, 3 * 3600))));
        let stored: TapTime = serde_json::from_str(&serde_json::to_string(&time).unwrap()).unwrap();
        let mut sum = TapTime::default();
        sum += &stored;
        sum += &time;
        assert_eq!((sum.at(3), sum.unknown_s), (6 * 3600, 10 * 3600));
        time.note((at(9), 1), at(8), 7200);
        assert_eq!(time.at(1), 0, "time does not run back");
    }
}
