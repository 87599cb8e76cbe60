//! A poller has written nothing, not even a sign of life.
//!
//! The one condition that needs a clock, since its very subject is that nothing comes: whoever drives it says what time it is.

use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Settings, Transition,
    hold::{later, seconds},
    words::{fact, span},
};
use crate::Timestamp;

/// One poller's condition and what it remembers.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct PollerDetector {
    active: bool,
    heard: Option<Timestamp>,
}

impl PollerDetector {
    /// Remembers nothing yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// When it last wrote.
    #[must_use]
    pub const fn heard_at(&self) -> Option<Timestamp> {
        self.heard
    }

    /// Whether it is silent, as far as was told.
    #[must_use]
    pub const fn is_silent(&self) -> bool {
        self.active
    }

    /// It wrote a batch at `at`, but its silence before that is no matter: nobody has it in service.
    pub const fn note(&mut self, at: Timestamp) {
        self.heard = Some(at);
    }

    /// It wrote a batch at `at`.
    pub fn heard(&mut self, settings: &Settings, at: Timestamp) -> Vec<Transition> {
        let mut out = self.advance(settings, at);
        if self.active {
            self.active = false;
            let silent_s = self.heard.map_or(0.0, |heard| seconds(heard, at));
            out.push(Transition {
                condition: Condition::PollerSilent,
                change: Change::Returned,
                at,
                summary: format!("writes again after {}", span(silent_s)),
                facts: vec![fact("Silent for", silent_s, "s")],
            });
        }
        self.heard = Some(at);
        out
    }

    /// It is `to`, and everything written before is known.
    pub fn advance(&mut self, settings: &Settings, to: Timestamp) -> Vec<Transition> {
        let Some(heard) = self.heard else { return vec![] };
        let delay_s = settings.get(Condition::PollerSilent, "delay_s");
        let at = later(heard, delay_s);
        if self.active || at > to {
            return vec![];
        }
        self.active = true;
        vec![Transition {
            condition: Condition::PollerSilent,
            change: Change::Raised,
            at,
            summary: format!(
                "nothing written for {}: the regulators it polls are not watched",
                span(delay_s)
            ),
            facts: vec![fact("Silent for", delay_s, "s")],
        }]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::story::{at, told};

    #[test]
    fn a_minute_of_silence_is_told_and_ends_with_the_next_batch() {
        let settings = Settings::default();
        let mut p = PollerDetector::new();
        assert!(told(p.advance(&settings, at(1000))).is_empty(), "never heard of");
        assert!(told(p.heard(&settings, at(0))).is_empty());
        assert!(told(p.advance(&settings, at(59))).is_empty());
        assert_eq!(
            told(p.advance(&settings, at(75))),
            ["60 poller_silent raised: nothing written for 60 s: the regulators it polls are not watched"]
        );
        assert_eq!(
            told(p.heard(&settings, at(200))),
            ["200 poller_silent returned: writes again after 3.3 min"]
        );
    }
}
