//! A part of Tapkeeper itself does not get on although work waits for it.
//!
//! Whoever watches the part says what waits and how much has been done; this says since when nothing was. A part without work is well,
//! and so is one that gets on, however much waits. True at the delay after the first look that found work and no progress; true
//! no longer with the first look that finds progress, or nothing left to do: progress is proof, so there is no return delay.

use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Settings, Transition,
    hold::{later, seconds},
    words::{count, fact, span},
};
use crate::Timestamp;

/// What a part has to do and has done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Work {
    /// How much waits.
    pub waiting: u64,
    /// A number that changes whenever something was done: a cursor, a count.
    pub done: u64,
}

impl Work {
    /// A list that should be empty, and that nothing but its becoming empty mends.
    #[must_use]
    pub const fn list(entries: u64) -> Self {
        Self { waiting: entries, done: 0 }
    }
}

/// One part's condition and what it remembers.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct PartDetector {
    active: bool,
    /// Work has waited without progress since.
    since: Option<Timestamp>,
    done: Option<u64>,
}

impl PartDetector {
    /// Remembers nothing yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Whether it has stopped, as far as was told.
    #[must_use]
    pub const fn is_active(&self) -> bool {
        self.active
    }

    /// It is `now`, and this is how its work stands. `condition` is one of a [`super::Scope::Part`].
    ///
    /// # Panics
    /// If the condition is of something else and has no parameter `delay_s`: a mistake in the program.
    pub fn observe(
        &mut self,
        settings: &Settings,
        condition: Condition,
        now: Timestamp,
        work: Work,
    ) -> Vec<Transition> {
        let progressed = self.done.replace(work.done).is_some_and(|done| done != work.done);
        if work.waiting == 0 || progressed {
            let since = self.since.take();
            self.since = (work.waiting > 0).then_some(now);
            return self.ends(condition, now, since, work);
        }
        let since = *self.since.get_or_insert(now);
        let delay_s = settings.get(condition, "delay_s");
        let at = later(since, delay_s);
        if self.active || at > now {
            return vec![];
        }
        self.active = true;
        let facts =
            vec![fact("Waiting", count(work.waiting), ""), fact("Without progress for", delay_s, "s")];
        let summary = stopped(condition, work.waiting, delay_s);
        vec![Transition { condition, change: Change::Raised, at, summary, facts }]
    }

    fn ends(
        &mut self,
        condition: Condition,
        now: Timestamp,
        since: Option<Timestamp>,
        work: Work,
    ) -> Vec<Transition> {
        if !std::mem::take(&mut self.active) {
            return vec![];
        }
        let lasted_s = since.map_or(0.0, |since| seconds(since, now)).max(0.0);
        let facts =
            vec![fact("Waiting", count(work.waiting), ""), fact("Without progress for", lasted_s, "s")];
        let summary = match work.waiting {
            0 => format!("nothing waits any more, after {}", span(lasted_s)),
            n => format!("goes on after {}; {n} still to do", span(lasted_s)),
        };
        vec![Transition { condition, change: Change::Returned, at: now, summary, facts }]
    }
}

fn stopped(condition: Condition, waiting: u64, delay_s: f64) -> String {
    let things = |one: &str, many: &str| {
        if waiting == 1 { format!("1 {one}") } else { format!("{waiting} {many}") }
    };
    match condition {
        Condition::DetectionStopped => {
            format!("{}, none judged for {}", things("batch waits", "batches wait"), span(delay_s))
        }
        Condition::MessagesUndelivered => {
            format!("{} on the dead-letter list", things("message is", "messages are"))
        }
        _ => format!("{}, none delivered for {}", things("message waits", "messages wait"), span(delay_s)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::story::{at, told};

    fn look(part: &mut PartDetector, condition: Condition, s: i64, waiting: u64, done: u64) -> Vec<String> {
        told(part.observe(&Settings::default(), condition, at(s), Work { waiting, done }))
    }

    #[test]
    fn work_without_progress_for_two_minutes() {
        let (mut part, condition) = (PartDetector::new(), Condition::DetectionStopped);
        assert!(look(&mut part, condition, 0, 5, 100).is_empty());
        assert!(look(&mut part, condition, 60, 9, 101).is_empty(), "slow is not stopped");
        assert!(look(&mut part, condition, 179, 20, 101).is_empty());
        assert_eq!(
            look(&mut part, condition, 200, 22, 101),
            ["180 detection_stopped raised: 22 batches wait, none judged for 2 min"]
        );
        assert!(look(&mut part, condition, 300, 30, 101).is_empty(), "told once");
        assert_eq!(
            look(&mut part, condition, 400, 12, 119),
            ["400 detection_stopped returned: goes on after 5.7 min; 12 still to do"]
        );
        assert_eq!(look(&mut part, condition, 520, 12, 119).len(), 1, "and it stops again");
    }

    #[test]
    fn a_part_without_work_is_well() {
        let (mut part, condition) = (PartDetector::new(), Condition::DeliveryStopped);
        for s in (0..100_000).step_by(1000) {
            assert!(look(&mut part, condition, s, 0, 7).is_empty());
        }
        assert!(look(&mut part, condition, 100_000, 1, 7).is_empty(), "counted from when work came");
        assert_eq!(
            look(&mut part, condition, 100_300, 1, 7),
            ["100300 delivery_stopped raised: 1 message waits, none delivered for 5 min"]
        );
    }

    #[test]
    fn a_list_with_entries_stays_so_until_it_is_empty() {
        let (mut part, condition) = (PartDetector::new(), Condition::MessagesUndelivered);
        let mut list = |s, n| told(part.observe(&Settings::default(), condition, at(s), Work::list(n)));
        assert_eq!(list(10, 2), ["10 messages_undelivered raised: 2 messages are on the dead-letter list"]);
        assert!(list(20, 1).is_empty());
        assert_eq!(list(70, 0), ["70 messages_undelivered returned: nothing waits any more, after 60 s"]);
    }

    #[test]
    fn it_is_remembered_over_a_restart() {
        let (mut part, condition) = (PartDetector::new(), Condition::DetectionStopped);
        look(&mut part, condition, 0, 5, 100);
        let mut again: PartDetector = serde_json::from_str(&serde_json::to_string(&part).unwrap()).unwrap();
        assert_eq!(look(&mut again, condition, 500, 5, 100).len(), 1);
        assert!(again.is_active());
    }
}
