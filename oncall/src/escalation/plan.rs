//! How long each level has to act, and after how long everybody is told again.

use chrono::Duration;
use serde::{Deserialize, Serialize};

use super::seconds;
use crate::{Priority, rota::LevelNumber};

/// Seconds a round's steps are apart, if a plan with too few of them does not say.
const USUAL_WAIT_S: u32 = 300;
/// The shortest pause between rounds, s.
const SHORTEST_REPEAT_S: u32 = 60;

/// The times of an escalation.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Plan {
    /// When each step of a round is due, s after the round's beginning, if no level is passed over: the first for level 1, and so on. The step after
    /// the last level is the last resort. Where the list is too short, the last wait is repeated.
    pub level_after_s: Vec<u32>,
    /// How long after the last resort the next round begins, s; `None`: there is one round.
    pub repeat_after_s: Option<u32>,
    /// Telling one level is enough: there is no escalation, only the search for somebody who can be reached.
    #[serde(default)]
    pub one_is_enough: bool,
}

/// Something that has to be put right before a plan can be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Fault {
    /// No times at all.
    #[error("the plan says for no level when it is told: give at least one time, 0 for at once")]
    NoTimes,
    /// A level before the one it comes after.
    #[error("level {0} would be told before the level it comes after: give it the same time or a later one")]
    Backwards(usize),
    /// Rounds too close.
    #[error("rounds {0} s apart are a flood: give at least {SHORTEST_REPEAT_S} s")]
    TooOften(u32),
    /// Silence after the first round.
    #[error("after the first round nobody would be told again: say after how long the rounds repeat")]
    NoRepeat,
}

impl Plan {
    /// The plan that is taken unless another is set. The times are common practice, no standard has them; they follow what each priority asks for.
    ///
    /// - Critical, a hand now: level 1 at once, then each level 5 min after the one before: time to wake up, read and acknowledge, no more.
    ///   Again 15 min after the last resort.
    /// - High, a hand within the hour: 10 min each, so that of three levels all have been told when half the hour is left. Again after 30 min.
    /// - Medium, this shift: 30 min each, so that nobody is troubled because somebody is at lunch. Again after 4 h, half a shift.
    /// - Low, this week: whoever is on call is told once; it stands on the list of alarms, and no night is worth it.
    #[must_use]
    pub fn standard(priority: Priority) -> Self {
        let (minutes, repeat_minutes): (&[u32], _) = match priority {
            Priority::Critical => (&[0, 5, 10], Some(15)),
            Priority::High => (&[0, 10, 20], Some(30)),
            Priority::Medium => (&[0, 30], Some(240)),
            Priority::Low => (&[0], None),
        };
        Self {
            level_after_s: minutes.iter().map(|m| m * 60).collect(),
            repeat_after_s: repeat_minutes.map(|m| m * 60),
            one_is_enough: priority == Priority::Low,
        }
    }

    /// What is wrong, if anything.
    ///
    /// # Errors
    /// The first [`Fault`] there is.
    pub fn check(&self) -> Result<(), Fault> {
        if self.level_after_s.is_empty() {
            return Err(Fault::NoTimes);
        }
        if let Some(index) = self.level_after_s.windows(2).position(|pair| pair[0] > pair[1]) {
            return Err(Fault::Backwards(index + 2));
        }
        match self.repeat_after_s {
            Some(repeat_s) if repeat_s < SHORTEST_REPEAT_S => Err(Fault::TooOften(repeat_s)),
            None if !self.one_is_enough => Err(Fault::NoRepeat),
            _ => Ok(()),
        }
    }

    /// From the start to the first step.
    pub(super) fn first(&self) -> Duration {
        seconds(self.level_after_s.first().copied().unwrap_or(0))
    }

    /// From telling a level to the step after it; `None` when there is none.
    pub(super) fn wait_after(&self, level: LevelNumber) -> Option<Duration> {
        if self.one_is_enough {
            return None;
        }
        let mut waits = self.level_after_s.windows(2).map(|pair| pair[1].saturating_sub(pair[0]));
        let last = waits.clone().next_back().unwrap_or(USUAL_WAIT_S);
        Some(seconds(waits.nth(usize::from(level) - 1).unwrap_or(last)))
    }

    /// From the last resort to the next round.
    pub(super) fn repeat(&self) -> Option<Duration> {
        let repeat_s = self.repeat_after_s.filter(|_| !self.one_is_enough)?;
        Some(seconds(repeat_s.max(SHORTEST_REPEAT_S)))
    }
}
