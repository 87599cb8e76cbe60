//! The contacts have not moved for too long, or the reversing switch has not.
//!
//! Judged from reported taps and counted operations (see [`crate::dwell`]): days on one tap without an operation, days without
//! passing from one side of neutral to the other. A stay that began before the first reading counts from there, so the true one is
//! longer. True no longer as soon as what was due has moved. A clock that turned out to be wrong starts the count anew, and ends
//! nothing.

use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Settings, Transition,
    words::{fact, number},
};
use crate::{
    Nameplate, Reading, Timestamp,
    dwell::{ExerciseRule, Stay, days},
};

/// The limits of one regulator.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Limits {
    rule: ExerciseRule,
    modulus: u64,
}

impl Limits {
    pub(super) fn new(nameplate: &Nameplate, settings: &Settings) -> Self {
        let get = |name| settings.get(Condition::ExerciseDue, name);
        let rule = ExerciseRule { tap_days: get("tap_days"), side_days: get("side_days") };
        Self { rule, modulus: nameplate.counter_modulus }
    }
}

/// The state.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct ExerciseDue {
    stay: Stay,
    contacts_due: bool,
    reversing_due: bool,
}

impl ExerciseDue {
    pub(super) fn observe(&mut self, limits: &Limits, reading: &Reading, out: &mut Vec<Transition>) {
        let at = reading.measured_at;
        let was = self.is_active();
        let before = (self.stay.since(), self.stay.side_since());
        let moved = self.stay.observe(reading, limits.modulus);
        let due = limits.rule.due(&self.stay, at);
        self.contacts_due = due.tap_days.is_some() || (self.contacts_due && !moved.contacts);
        self.reversing_due = due.side_days.is_some() || (self.reversing_due && !moved.reversing);
        if was != self.is_active() {
            out.push(self.transition(if was { Change::Returned } else { Change::Raised }, at, before));
        }
    }

    /// Drops instants learnt under a clock that turned out to be wrong.
    pub(super) const fn forget(&mut self) {
        self.stay.forget();
    }

    const fn is_active(&self) -> bool {
        self.contacts_due || self.reversing_due
    }

    fn transition(
        &self,
        change: Change,
        at: Timestamp,
        (since, side_since): (Option<Timestamp>, Option<Timestamp>),
    ) -> Transition {
        let [tap_days, side_days] = [since, side_since].map(|s| s.map_or(0.0, |s| days(s, at)));
        let place = self.stay.tap().map_or_else(String::new, |tap| format!(" at tap {tap:+}"));
        let side = match self.stay.side() {
            1 => "the raise side",
            -1 => "the lower side",
            _ => "neutral",
        };
        let still = format!("no operation{place} for at least {} d", number(tap_days, 0));
        let one_sided = format!("on {side} of neutral for at least {} d", number(side_days, 0));
        let one_sided = one_sided.replace("neutral of neutral", "neutral");
        let summary = match (change, self.contacts_due, self.reversing_due) {
            (Change::Returned, ..) => {
                format!("moved{place}; had stood {} d", number(tap_days.max(side_days), 1))
            }
            (Change::Raised, true, true) => format!("{still}; {one_sided}"),
            (Change::Raised, true, false) => still,
            (Change::Raised, false, _) => one_sided,
        };
        let facts = vec![
            fact("Contacts not moved for at least", tap_days, "d"),
            fact("Reversing switch not moved for at least", side_days, "d"),
        ];
        Transition { condition: Condition::ExerciseDue, change, at, summary, facts }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        Quantity,
        conditions::story::{Story, at},
    };

    fn day(story: &mut Story, day: i64, tap: f64, operations: f64) -> Vec<String> {
        let reading =
            Reading::new(at(day * 86_400)).with(Quantity::Tap, tap).with(Quantity::Operations, operations);
        story.observe(&reading)
    }

    fn only(told: Vec<String>) -> Vec<String> {
        told.into_iter().filter(|line| line.contains("exercise_due")).collect()
    }

    #[test]
    fn two_months_on_one_tap_are_told_and_end_with_the_next_operation() {
        let mut story = Story::common();
        let told: Vec<_> = (0..=75).flat_map(|d| day(&mut story, d, 5.0, 100.0)).collect();
        assert_eq!(only(told), ["5184000 exercise_due raised: no operation at tap +5 for at least 60 d"]);
        assert_eq!(
            only(day(&mut story, 76, 6.0, 101.0)),
            ["6566400 exercise_due returned: moved at tap +6; had stood 76 d"]
        );
    }

    #[test]
    fn a_year_on_one_side_is_told_though_it_taps_every_day() {
        let mut story = Story::common();
        let tap = |d: i64| if d % 2 == 0 { 0.0 } else { 3.0 };
        let counter = |d: i64| f64::from(u32::try_from(d * 3).unwrap());
        let told: Vec<_> = (0..=400).flat_map(|d| day(&mut story, d, tap(d), counter(d))).collect();
        assert_eq!(
            only(told),
            ["31536000 exercise_due raised: on the raise side of neutral for at least 365 d"]
        );
        let told = only(day(&mut story, 401, -1.0, counter(401)));
        assert_eq!(told.len(), 1, "{told:?}");
        assert!(told[0].contains("exercise_due returned: moved at tap -1"), "{told:?}");
    }

    #[test]
    fn a_unit_that_works_on_both_sides_is_left_alone() {
        let mut story = Story::common();
        let told: Vec<_> = (0..800)
            .flat_map(|d| {
                let tap = if (d / 120) % 2 == 0 { 2.0 } else { -2.0 };
                day(&mut story, d, tap, f64::from(u32::try_from(d * 4).unwrap()))
            })
            .collect();
        assert_eq!(only(told), [""; 0]);
    }

    #[test]
    fn a_clock_that_was_wrong_starts_the_count_anew_and_ends_nothing() {
        let mut story = Story::common();
        let told: Vec<_> = (1000..=1060).flat_map(|d| day(&mut story, d, 5.0, 100.0)).collect();
        assert_eq!(only(told).len(), 1);
        assert!(story.detector.heed_horizon(at(0)));
        assert_eq!(only(day(&mut story, 0, 5.0, 100.0)), [""; 0], "it still stands");
        assert_eq!(only(day(&mut story, 1, 6.0, 101.0)).len(), 1, "until it moves");
    }

    #[test]
    fn what_reports_neither_tap_nor_counter_is_not_judged() {
        let mut story = Story::common();
        let silent = |d: i64| Reading::new(at(d * 86_400)).with(Quantity::LoadVoltage, 121.0);
        assert!((0..800).all(|d| only(story.observe(&silent(d))).is_empty()));
    }
}
