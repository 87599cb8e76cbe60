//! Escalation: which level is told next, and when, until somebody acts.
//!
//! In a round the levels are told one after the other, each having the time of the [`Plan`] to act. A level that cannot be reached is passed over at
//! once, and the next is due at that same instant. After the last level comes the last resort: everybody of the rota, and the standing recipients.
//! Never silence: then, after a while, the next round begins, for ever, until [`Escalation::stop`].
//!
//! Due times follow from the plan to the second, never from when [`Escalation::advance`] happens to be called. A call that comes late gives what
//! was missed with the times at which it was due, but only of the round that the present lies in: after an outage of hours nobody is told ten rounds
//! at once. What was due in rounds that are over is not told any more.
//!
//! Whoever calls this keeps the state as JSON, calls `advance` at `next_at` or later, and sends what comes out.

mod plan;
#[cfg(test)]
mod tests;

use chrono::{DateTime, Duration, Utc};
use serde::{Deserialize, Serialize};

use crate::rota::LevelNumber;
pub use plan::{Fault, Plan};

/// How far telling people has come. Small, to be stored.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Escalation {
    /// When it began, which is when the first level of round 1 has its time counted from.
    pub started_at: DateTime<Utc>,
    /// The round that the next step belongs to, counted from 1.
    pub round: u32,
    /// Levels of this round that are behind us, told or passed over.
    pub step: LevelNumber,
    /// When the next step is due; `None` when none is.
    pub next_at: Option<DateTime<Utc>>,
    /// The last level that was told.
    #[serde(default)]
    pub told: Option<Told>,
    /// Why it has come to an end, if somebody ended it.
    #[serde(default)]
    pub stopped: Option<Stop>,
}

/// A level that was told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Told {
    /// In which round.
    pub round: u32,
    /// Which level.
    pub level: LevelNumber,
}

/// Why nobody needs to be told any more.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Stop {
    /// Somebody has it in hand.
    Acknowledged,
    /// What it was about is over.
    Returned,
    /// It is shelved, or kept back by a rule.
    Held,
}

/// Whether a level can be told anything at an instant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reach {
    /// Somebody is on call and has a way to be reached.
    Reachable,
    /// Nobody is on call.
    NobodyOnCall,
    /// Whoever is on call has no way to be reached that works.
    NoWay,
}

/// Why a level was not told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Unreachable {
    /// Nobody was on call.
    NobodyOnCall,
    /// Whoever was on call had no way to be reached.
    NoWay,
}

/// Whom a step is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Target {
    /// A level of the rota.
    Level(LevelNumber),
    /// Everybody of the rota, and the standing recipients.
    LastResort,
}

/// What a step does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Action {
    /// The target is to be told.
    Tell,
    /// The target is left out, for the record.
    PassedOver(Unreachable),
}

/// A step that has come due.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Step {
    /// In which round, counted from 1.
    pub round: u32,
    /// Who.
    pub target: Target,
    /// When it was due.
    pub due_at: DateTime<Utc>,
    /// What is to be done.
    pub action: Action,
}

impl Escalation {
    /// Begins one. Nothing has been told yet: call [`Self::advance`].
    #[must_use]
    pub fn start(plan: &Plan, at: DateTime<Utc>) -> Self {
        Self {
            started_at: at,
            round: 1,
            step: 0,
            next_at: Some(at + plan.first()),
            told: None,
            stopped: None,
        }
    }

    /// Every step that has come due by `now`, in order, of the present round only (see the head of the module).
    ///
    /// `levels` is how many the rota has now; 0 makes the last resort due at the very start. `reach` says of a level whether it can be told
    /// at the instant at which that is due.
    pub fn advance(
        &mut self,
        plan: &Plan,
        levels: LevelNumber,
        now: DateTime<Utc>,
        mut reach: impl FnMut(LevelNumber, DateTime<Utc>) -> Reach,
    ) -> Vec<Step> {
        let mut steps: Vec<Step> = Vec::new();
        if levels == 0 && (self.round, self.step) == (1, 0) {
            self.next_at = self.next_at.map(|_| self.started_at);
        }
        while let Some(due_at) = self.next_at.filter(|due_at| *due_at <= now) {
            if steps.last().is_some_and(|last| last.round < self.round) {
                steps.clear();
            }
            steps.push(self.take_step(plan, levels, due_at, &mut reach));
        }
        steps
    }

    fn take_step(
        &mut self,
        plan: &Plan,
        levels: LevelNumber,
        due_at: DateTime<Utc>,
        reach: &mut impl FnMut(LevelNumber, DateTime<Utc>) -> Reach,
    ) -> Step {
        let round = self.round;
        if self.step >= levels {
            self.next_at = plan.repeat().map(|wait| due_at + wait);
            (self.round, self.step) = (round.saturating_add(1), 0);
            return Step { round, target: Target::LastResort, due_at, action: Action::Tell };
        }
        let level = self.step + 1;
        let action = match reach(level, due_at) {
            Reach::Reachable => Action::Tell,
            Reach::NobodyOnCall => Action::PassedOver(Unreachable::NobodyOnCall),
            Reach::NoWay => Action::PassedOver(Unreachable::NoWay),
        };
        self.next_at = match action {
            Action::PassedOver(_) => Some(due_at),
            Action::Tell => {
                self.told = Some(Told { round, level });
                plan.wait_after(level).map(|wait| due_at + wait)
            }
        };
        self.step = level;
        Step { round, target: Target::Level(level), due_at, action }
    }

    /// Delivery to a level has been refused: if it is the one that has its time to act now, the next step is due at `at`. Says whether it was; when
    /// the next step has been taken already, or is due sooner anyway, nothing changes.
    pub fn refused(&mut self, round: u32, level: LevelNumber, at: DateTime<Utc>) -> bool {
        let current = self.told == Some(Told { round, level }) && (self.round, self.step) == (round, level);
        let later = self.next_at.is_none_or(|next_at| next_at > at);
        let brings_on = self.stopped.is_none() && current && later;
        if brings_on {
            self.next_at = Some(at);
        }
        brings_on
    }

    /// Nobody needs to be told any more. The first reason stays.
    pub fn stop(&mut self, why: Stop) {
        self.next_at = None;
        self.stopped.get_or_insert(why);
    }

    /// Whether there is nothing more to come, unless a delivery is refused.
    #[must_use]
    pub fn is_over(&self) -> bool {
        self.next_at.is_none()
    }
}

/// Seconds as a span of time.
fn seconds(count: u32) -> Duration {
    Duration::seconds(count.into())
}
