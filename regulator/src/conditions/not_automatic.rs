//! The control has been left in manual, local or otherwise not in automatic.

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
        Self { delays: Delays { on_s: settings.get(Condition::NotAutomatic, "delay_s"), off_s: 0.0 } }
    }
}

/// The state.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct NotAutomatic {
    pub(super) hold: Hold,
}

impl NotAutomatic {
    pub(super) fn observe(&mut self, limits: &Limits, reading: &Reading, out: &mut Vec<Transition>) {
        let Some(automatic) = reading.flag(Quantity::Automatic) else { return };
        let at = reading.measured_at;
        let contradicts = automatic == self.hold.is_active();
        let Some(change) = self.hold.observe(at, contradicts, limits.delays) else { return };
        let lasted_s = self.hold.lasted_s(at);
        let summary = match change {
            Change::Raised => format!("control not in automatic for {}", span(lasted_s)),
            Change::Returned => format!("control in automatic again after {}", span(lasted_s)),
        };
        let facts = vec![fact("Since the first reading not in automatic", lasted_s, "s")];
        out.push(Transition { condition: Condition::NotAutomatic, change, at, summary, facts });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::story::{Story, at};

    #[test]
    fn a_control_left_in_manual_is_told_after_a_quarter_of_an_hour() {
        let mut story = Story::common();
        let mut told = vec![];
        for s in (0..3600).step_by(10) {
            let automatic = if (100..2000).contains(&s) { 0.0 } else { 1.0 };
            told.extend(story.observe(&Reading::new(at(s)).with(Quantity::Automatic, automatic)));
        }
        assert_eq!(
            told,
            [
                "1000 not_automatic raised: control not in automatic for 15 min",
                "2000 not_automatic returned: control in automatic again after 32 min",
            ]
        );
    }

    #[test]
    fn a_control_that_does_not_say_is_not_judged() {
        let mut story = Story::common();
        assert!((0..400).all(|i| story.observe(&Reading::new(at(i * 10))).is_empty()));
    }
}
