//! The control has been blocked, or not in automatic, for a day or more.
//!
//! Not in automatic for a quarter of an hour is a note that somebody may be working there ([`super::not_automatic`]); a day of it is
//! a control forgotten. Blocked counts alike: either way nothing regulates. What a reading does not say is as it was last said,
//! because a missing word is no evidence of a change; a control that never says one of the two is judged by the other.

use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Settings, Transition,
    hold::{Delays, Hold},
    words::{fact, span},
};
use crate::{Quantity, Reading};

/// The limit of one regulator.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Limits {
    delays: Delays,
}

impl Limits {
    pub(super) fn new(settings: &Settings) -> Self {
        let hours = settings.get(Condition::BlockedOrManualTooLong, "delay_h");
        Self { delays: Delays { on_s: hours * 3600.0, off_s: 0.0 } }
    }
}

/// The state.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct BlockedOrManualTooLong {
    pub(super) hold: Hold,
    automatic: Option<bool>,
    blocked: Option<bool>,
}

impl BlockedOrManualTooLong {
    pub(super) fn observe(&mut self, limits: &Limits, reading: &Reading, out: &mut Vec<Transition>) {
        let said = (reading.flag(Quantity::Automatic), reading.flag(Quantity::Blocked));
        if said == (None, None) {
            return;
        }
        self.automatic = said.0.or(self.automatic);
        self.blocked = said.1.or(self.blocked);
        let (manual, blocked) = (self.automatic == Some(false), self.blocked == Some(true));
        let idle = manual || blocked;
        let at = reading.measured_at;
        let Some(change) = self.hold.observe(at, idle != self.hold.is_active(), limits.delays) else {
            return;
        };
        let lasted_s = self.hold.lasted_s(at);
        let lasted = span(lasted_s);
        let summary = match (change, manual, blocked) {
            (Change::Returned, ..) => format!("control in automatic and not blocked again after {lasted}"),
            (_, true, true) => format!("control not in automatic, and blocked, for {lasted}"),
            (_, true, _) => format!("control not in automatic for {lasted}"),
            _ => format!("tapping blocked for {lasted}"),
        };
        let facts = vec![fact("Since the first such reading", lasted_s, "s")];
        out.push(Transition { condition: Condition::BlockedOrManualTooLong, change, at, summary, facts });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::story::{Story, at};

    const HOUR: i64 = 3600;

    /// Readings each ten minutes over so many hours; what was told of this condition.
    fn told(hours: i64, say: impl Fn(i64) -> Reading) -> Vec<String> {
        let mut story = Story::common();
        let lines = (0..hours * HOUR).step_by(600).flat_map(|s| story.observe(&say(s)));
        lines.filter(|line| line.contains("blocked_or_manual")).collect()
    }

    #[test]
    fn a_day_of_manual_is_told_and_a_shift_is_not() {
        let manual = |until: i64| {
            move |s| Reading::new(at(s)).with(Quantity::Automatic, f64::from(u8::from(s >= until)))
        };
        assert!(told(48, manual(10 * HOUR)).is_empty());
        assert_eq!(
            told(48, manual(30 * HOUR)),
            [
                "86400 blocked_or_manual_too_long raised: control not in automatic for 24 h",
                "108000 blocked_or_manual_too_long returned: control in automatic and not blocked again after 30 h",
            ]
        );
    }

    #[test]
    fn manual_and_blocked_by_turns_are_one_time() {
        let by_turns = |s: i64| {
            let first = s < 12 * HOUR;
            Reading::new(at(s))
                .with(Quantity::Automatic, f64::from(u8::from(!first)))
                .with(Quantity::Blocked, f64::from(u8::from(!first)))
        };
        let lines = told(25, by_turns);
        assert_eq!(lines, ["86400 blocked_or_manual_too_long raised: tapping blocked for 24 h"]);
    }

    #[test]
    fn a_word_that_is_missing_for_a_while_is_as_it_was() {
        let silent_about_manual = |s: i64| {
            let reading = Reading::new(at(s)).with(Quantity::Blocked, 0.0);
            if s % 1800 == 0 { reading.with(Quantity::Automatic, 0.0) } else { reading }
        };
        assert_eq!(told(25, silent_about_manual).len(), 1);
        assert!(told(48, |s| Reading::new(at(s)).with(Quantity::Blocked, 0.0)).is_empty());
    }
}
