//! The endpoint answers, but this regulator's readings do not come.
//!
//! A deadline, computed from the last reading: it passes at the same instant whether anybody looked or not. Silence counts only
//! while a poller ran and the endpoint answered; when either comes back, counting starts again.

use chrono::TimeDelta;
use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Settings, Transition,
    hold::span_of,
    words::{fact, number, span},
};
use crate::{Nameplate, Timestamp};

/// The limit of one regulator.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Limits {
    silence_s: f64,
    silence: TimeDelta,
    poll_interval_s: f64,
}

impl Limits {
    pub(super) fn new(nameplate: &Nameplate, settings: &Settings) -> Self {
        let get = |name| settings.get(Condition::ReadingsStale, name);
        let poll_interval_s = nameplate.poll_interval_s;
        let silence_s = (get("polls") * poll_interval_s).max(get("least_s"));
        Self { silence_s, silence: span_of(silence_s), poll_interval_s }
    }
}

/// The state.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct ReadingsStale {
    active: bool,
    /// Silence counts from here; not at all while nothing.
    from: Option<Timestamp>,
    /// When the poller process began that is known to run.
    session: Option<Timestamp>,
}

impl ReadingsStale {
    /// A poller process of this age polls it: time before it began is not counted.
    /// Returns whether that is news.
    pub(super) fn polled_since(&mut self, session: Timestamp) -> bool {
        if self.session == Some(session) {
            return false;
        }
        self.session = Some(session);
        self.from = self.from.map(|from| from.max(session));
        true
    }

    /// Whether [`ReadingsStale::report`] would change anything; asked of every regulator at every batch.
    pub(super) fn needs_report(
        &self,
        limits: &Limits,
        failing_since: Option<Timestamp>,
        to: Timestamp,
    ) -> bool {
        match (self.from, failing_since) {
            (None, failing) => failing.is_none(),
            (Some(_), Some(_)) => true,
            (Some(from), None) => !self.active && from + limits.silence <= to,
        }
    }

    /// A reading came.
    pub(super) fn seen(&mut self, limits: &Limits, at: Timestamp, out: &mut Vec<Transition>) {
        self.reach(limits, at, out);
        if self.active {
            self.active = false;
            out.push(Transition {
                condition: Condition::ReadingsStale,
                change: Change::Returned,
                at,
                summary: "readings come again".to_owned(),
                facts: vec![fact("Poll interval", limits.poll_interval_s, "s")],
            });
        }
        self.from = Some(self.not_before_session(at));
    }

    fn not_before_session(&self, at: Timestamp) -> Timestamp {
        self.session.map_or(at, |began| at.max(began))
    }

    /// The poller's word at `to`: what was measured before is known, and the endpoint answers, or has not since `failing_since`.
    pub(super) fn report(
        &mut self,
        limits: &Limits,
        failing_since: Option<Timestamp>,
        to: Timestamp,
        out: &mut Vec<Transition>,
    ) {
        match failing_since {
            Some(since) => {
                self.reach(limits, to.min(since), out);
                self.from = None;
            }
            None if self.from.is_none() => self.from = Some(self.not_before_session(to)),
            None => self.reach(limits, to, out),
        }
    }

    /// Everything before `to` is known: readings that did not come by then did not come.
    pub(super) fn advance(&mut self, limits: &Limits, to: Timestamp, out: &mut Vec<Transition>) {
        self.reach(limits, to, out);
    }

    /// Starts anew: the times so far were wrong. The alarm stays until a reading comes.
    pub(super) const fn forget(&mut self) {
        self.from = None;
    }

    /// Tells that the deadline has passed, if it has by `to`.
    fn reach(&mut self, limits: &Limits, to: Timestamp, out: &mut Vec<Transition>) {
        let Some(from) = self.from else { return };
        let deadline = from + limits.silence;
        if self.active || deadline > to {
            return;
        }
        self.active = true;
        let every = number(limits.poll_interval_s, 1);
        out.push(Transition {
            condition: Condition::ReadingsStale,
            change: Change::Raised,
            at: deadline,
            summary: format!(
                "no reading for {}, polled every {every} s; its endpoint answers",
                span(limits.silence_s)
            ),
            facts: vec![
                fact("Without a reading for", limits.silence_s, "s"),
                fact("Poll interval", limits.poll_interval_s, "s"),
            ],
        });
    }
}

#[cfg(test)]
mod tests {
    use crate::{
        Reading,
        conditions::story::{Story, at},
    };

    fn reading(s: i64) -> Reading {
        Reading::new(at(s))
    }

    const RAISED: &str =
        "readings_stale raised: no reading for 2 min, polled every 10 s; its endpoint answers";

    #[test]
    fn it_passes_at_its_deadline_whenever_it_is_noticed() {
        let mut story = Story::watched();
        story.observe(&reading(100));
        assert!(story.report(None, 219).is_empty());
        assert_eq!(story.report(None, 1000), [format!("220 {RAISED}")]);
        assert_eq!(story.observe(&reading(1010)), ["1010 readings_stale returned: readings come again"]);
        let mut unwatched = Story::watched();
        unwatched.observe(&reading(100));
        assert_eq!(
            unwatched.observe(&reading(1010)),
            [format!("220 {RAISED}"), "1010 readings_stale returned: readings come again".to_owned()]
        );
    }

    #[test]
    fn a_slow_poll_is_given_its_intervals() {
        let mut story = Story::watched();
        story.nameplate.poll_interval_s = 60.0;
        story.observe(&reading(0));
        assert!(story.report(None, 359).is_empty());
        assert_eq!(story.report(None, 360).len(), 1, "six intervals of a minute");
    }

    #[test]
    fn silence_of_the_endpoint_is_not_counted() {
        let mut story = Story::watched();
        story.observe(&reading(0));
        assert!(story.report(Some(50), 1000).is_empty());
        assert!(story.report(None, 1010).is_empty(), "answers again from here");
        assert!(story.report(None, 1129).is_empty());
        assert_eq!(story.report(None, 1130), [format!("1130 {RAISED}")]);
    }

    #[test]
    fn time_while_no_poller_ran_is_not_counted() {
        let mut story = Story::watched();
        story.observe(&reading(0));
        story.report(None, 60);
        story.polled_since(5000);
        assert!(story.report(None, 5100).is_empty());
        assert!(story.observe(&reading(5110)).is_empty());
    }

    #[test]
    fn readings_from_before_the_poller_began_may_be_far_apart() {
        let mut story = Story::watched();
        story.polled_since(5000);
        story.observe(&reading(0));
        assert!(story.report(None, 300).is_empty());
        assert!(story.observe(&reading(300)).is_empty(), "brought in from elsewhere: nobody polled then");
        assert!(story.observe(&reading(600)).is_empty());
        assert_eq!(
            story.report(None, 5200),
            [format!("5120 {RAISED}")],
            "counted from when the poller began"
        );
    }

    #[test]
    fn a_regulator_that_never_reported_is_told_too() {
        let mut story = Story::watched();
        assert!(story.report(None, 500).is_empty(), "the first that is known of it");
        assert_eq!(story.report(None, 700), [format!("620 {RAISED}")]);
    }
}
