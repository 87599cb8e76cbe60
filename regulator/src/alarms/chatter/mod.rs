//! A chattering alarm is held as one.
//!
//! An alarm that comes and goes again and again teaches people to look away. The standard calls one chattering that is raised more than
//! three times within a minute (ISA-18.2 as quoted in the literature); that is for signals that change within seconds. Here readings come
//! every ten seconds or so and conditions have delays of minutes, so it is more than three times within an hour (ours). The fourth
//! raise is told and says so; from then on the alarm stands: a return is held back until the condition has stayed away for the hold
//! time, half an hour, and is then told as of the instant when it last really returned. A raise meanwhile is swallowed and counted.
//!
//! Time is that of the transitions and of what is known ([`Chatter::pass`], [`Chatter::release`]), so the same readings give the
//! same, however they are cut. Of a condition that was not raised within the last hour nothing is kept.

use chrono::TimeDelta;
use serde::{Deserialize, Serialize};

use crate::{
    Timestamp,
    conditions::{Change, Condition, Fact, Transition},
};

/// So many raises within [`WINDOW`] are still no chattering.
pub const MOST_RAISES: usize = 3;
/// The time that raises are counted over.
pub const WINDOW: TimeDelta = TimeDelta::hours(1);
/// How long a chattering condition must stay away before its return is told.
pub const HOLD: TimeDelta = TimeDelta::minutes(30);

/// What is remembered of the conditions of one place that were raised lately or chatter.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Chatter {
    sources: Vec<Source>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Source {
    condition: Condition,
    /// The last raises, told or swallowed, oldest first, at most [`MOST_RAISES`].
    raises: Vec<Timestamp>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    held: Option<Held>,
}

/// An alarm that chatters, and stands until it has been quiet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Held {
    since: Timestamp,
    /// Raises that were not told.
    swallowed: u32,
    /// The last return, while no raise has followed it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    returned: Option<Ended>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Ended {
    at: Timestamp,
    summary: String,
    facts: Vec<Fact>,
}

impl Chatter {
    /// Whether nothing is remembered, so that there is nothing to do without a transition.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.sources.is_empty()
    }

    /// Whether this condition is held as chattering.
    #[must_use]
    pub fn holds(&self, condition: Condition) -> bool {
        self.sources.iter().any(|s| s.condition == condition && s.held.is_some())
    }

    /// Takes transitions in order of time, and what is known to be the time; leaves in `told` those to be told.
    pub fn pass(&mut self, now: Timestamp, told: &mut Vec<Transition>) {
        if self.is_empty() && told.is_empty() {
            return;
        }
        let all = std::mem::take(told);
        self.take(all, told);
        self.release(now, told);
        self.sources.retain(|s| s.held.is_some() || s.raises.last().is_some_and(|r| now - *r < WINDOW));
    }

    /// Takes transitions in order of time, and adds those to be told, after what falls due before each.
    pub fn take(&mut self, all: Vec<Transition>, told: &mut Vec<Transition>) {
        for transition in all {
            self.release(transition.at, told);
            match transition.change {
                Change::Raised => self.raised(transition, told),
                Change::Returned => self.returned(transition, told),
            }
        }
    }

    /// Everything before `now` is known: returns that fall due are told, in the order in which they do.
    pub fn release(&mut self, now: Timestamp, told: &mut Vec<Transition>) {
        if !self.is_due(now) {
            return;
        }
        let is_due = |s: &&mut Source| s.due_at().is_some_and(|due| due <= now);
        let mut due: Vec<&mut Source> = self.sources.iter_mut().filter(is_due).collect();
        due.sort_by_key(|s| (s.due_at(), s.condition));
        told.extend(due.into_iter().filter_map(Source::end));
    }

    /// Whether [`Chatter::release`] would tell something.
    #[must_use]
    pub fn is_due(&self, now: Timestamp) -> bool {
        self.sources.iter().any(|s| s.due_at().is_some_and(|due| due <= now))
    }

    /// Drops what was learnt under a clock that turned out to be wrong, beyond `horizon`. What stands goes on standing; a return held
    /// back counts from the horizon.
    pub fn forget(&mut self, horizon: Timestamp) {
        self.sources.retain(|s| s.held.is_some());
        for source in &mut self.sources {
            source.raises.clear();
            if let Some(held) = &mut source.held {
                held.since = held.since.min(horizon);
                if let Some(ended) = &mut held.returned {
                    ended.at = ended.at.min(horizon);
                }
            }
        }
    }

    fn raised(&mut self, mut transition: Transition, told: &mut Vec<Transition>) {
        let (condition, at) = (transition.condition, transition.at);
        let Some(source) = self.sources.iter_mut().find(|s| s.condition == condition) else {
            self.sources.push(Source { condition, raises: vec![at], held: None });
            told.push(transition);
            return;
        };
        // one from the future is of a clock that was wrong
        source.raises.retain(|r| *r <= at && at - *r < WINDOW);
        if let Some(held) = &mut source.held {
            held.swallowed += 1;
            held.returned = None;
        } else {
            let times = source.raises.len() + 1;
            if times > MOST_RAISES {
                source.held = Some(Held { since: at, swallowed: 0, returned: None });
                begins(&mut transition, times);
            }
            told.push(transition);
        }
        source.raises.push(at);
        if source.raises.len() > MOST_RAISES {
            source.raises.remove(0);
        }
    }

    fn returned(&mut self, transition: Transition, told: &mut Vec<Transition>) {
        let source = self.sources.iter_mut().find(|s| s.condition == transition.condition);
        match source.and_then(|s| s.held.as_mut()) {
            None => told.push(transition),
            Some(held) => {
                let Transition { at, summary, facts, .. } = transition;
                held.returned = Some(Ended { at, summary, facts });
            }
        }
    }
}

impl Source {
    /// When a held return is to be told.
    fn due_at(&self) -> Option<Timestamp> {
        self.held.as_ref()?.returned.as_ref().map(|ended| ended.at + HOLD)
    }

    /// Ends the chattering: the return that was held back.
    fn end(&mut self) -> Option<Transition> {
        let Held { since, swallowed, returned } = self.held.take()?;
        let Ended { at, mut summary, mut facts } = returned?;
        summary += &match swallowed {
            0 => format!("; quiet since, for {} min", HOLD.num_minutes()),
            1 => format!("; raised once more while it chattered, quiet for {} min", HOLD.num_minutes()),
            n => format!("; raised {n} more times while it chattered, quiet for {} min", HOLD.num_minutes()),
        };
        facts.push(fact("Raised while held", f64::from(swallowed), ""));
        facts.push(fact("Chattered for", crate::seconds(since, at).max(0.0), "s"));
        Some(Transition { condition: self.condition, change: Change::Returned, at, summary, facts })
    }
}

/// Says in the raise that begins it that the alarm chatters.
#[allow(clippy::cast_precision_loss, reason = "a small count")]
fn begins(transition: &mut Transition, times: usize) {
    let th = match times {
        1 => "st",
        2 => "nd",
        3 => "rd",
        _ => "th",
    };
    transition.summary += &format!(
        "; chattering: {times}{th} time within an hour, held until quiet for {} min",
        HOLD.num_minutes()
    );
    transition.facts.push(fact("Raised within an hour", times as f64, ""));
    transition.facts.push(fact("Held until quiet for", crate::seconds_of(HOLD), "s"));
}

fn fact(label: &str, value: f64, unit: &str) -> Fact {
    Fact { label: label.to_owned(), value, unit: unit.to_owned() }
}

#[cfg(test)]
mod tests;
