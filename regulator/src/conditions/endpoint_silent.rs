//! An endpoint does not answer, as its poller reports.
//!
//! True when a report says that it has been failing for the delay; the instant is computed from when it began to. True no longer
//! with the first reading from behind it, or, should no reading come, after reports over the same delay, all of one
//! poller process, that it does not fail. A poller that has just started and not tried yet proves nothing.
//!
//! An endpoint that comes and goes is held as one alarm ([`crate::alarms::chatter`]); time goes on with its readings and with every
//! poller's reports.

use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Settings, Transition,
    hold::{later, seconds},
    words::{fact, span},
};
use crate::{Timestamp, alarms::chatter::Chatter};

/// A poller's report at one instant.
#[derive(Debug, Clone, Copy)]
pub struct Report<'a> {
    /// Who reports.
    pub poller: &'a str,
    /// When that poller process began.
    pub session_started_at: Timestamp,
    /// Up to when it knows.
    pub watermark: Timestamp,
}

/// One endpoint's condition and what it remembers.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct EndpointDetector {
    active: bool,
    failing: Option<Failing>,
    /// First of the reports in a row, of one process, that it does not fail: process and watermark.
    clear: Option<(Timestamp, Timestamp)>,
    began: Option<Timestamp>,
    /// The last transition: the next is not told as of an earlier instant, whatever a poller says.
    last: Option<Timestamp>,
    #[serde(skip_serializing_if = "Chatter::is_empty")]
    chatter: Chatter,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Failing {
    poller: String,
    since: Timestamp,
}

impl EndpointDetector {
    /// Remembers nothing yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Whether its alarm is held as chattering (see [`crate::alarms::chatter`]).
    #[must_use]
    pub fn chatters(&self) -> bool {
        self.chatter.holds(Condition::EndpointSilent)
    }

    /// Since when it does not answer, as far as is known.
    #[must_use]
    pub fn failing_since(&self) -> Option<Timestamp> {
        self.failing.as_ref().map(|f| f.since)
    }

    /// Whether this poller was the last to report it failing.
    #[must_use]
    pub fn fails_for(&self, poller: &str) -> bool {
        self.failing.as_ref().is_some_and(|f| f.poller == poller)
    }

    /// It is reported failing since `since`.
    pub fn failing(
        &mut self,
        settings: &Settings,
        report: &Report<'_>,
        since: Timestamp,
        error: &str,
    ) -> Vec<Transition> {
        let mut told = self.fails(settings, report, since, error);
        self.chatter.pass(report.watermark, &mut told);
        told
    }

    /// It is not among those reported failing.
    pub fn not_failing(&mut self, settings: &Settings, report: &Report<'_>) -> Vec<Transition> {
        let mut told = self.may_end(settings, report);
        self.chatter.pass(report.watermark, &mut told);
        told
    }

    /// A reading came from behind it. One from before it began to fail says nothing.
    pub fn answered(&mut self, at: Timestamp) -> Vec<Transition> {
        let ends = self.failing_since().is_some_and(|since| at >= since);
        let mut told = if ends { self.end(at) } else { vec![] };
        self.chatter.pass(at, &mut told);
        told
    }

    fn fails(
        &mut self,
        settings: &Settings,
        report: &Report<'_>,
        since: Timestamp,
        error: &str,
    ) -> Vec<Transition> {
        self.clear = None;
        if self.failing.as_ref().is_none_or(|f| f.since != since || f.poller != report.poller) {
            self.failing = Some(Failing { poller: report.poller.to_owned(), since });
        }
        let delay_s = settings.get(Condition::EndpointSilent, "delay_s");
        let at = later(since, delay_s);
        if self.active || at > report.watermark {
            return vec![];
        }
        let at = self.last.map_or(at, |last| last.max(at));
        self.active = true;
        self.began = Some(since);
        self.last = Some(at);
        let why = if error.is_empty() { String::new() } else { format!(": {error}") };
        vec![Transition {
            condition: Condition::EndpointSilent,
            change: Change::Raised,
            at,
            summary: format!("no answer for {}{why}", span(delay_s)),
            facts: vec![fact("Without an answer for", delay_s, "s")],
        }]
    }

    fn may_end(&mut self, settings: &Settings, report: &Report<'_>) -> Vec<Transition> {
        if !self.fails_for(report.poller) {
            return vec![];
        }
        if !self.active {
            self.failing = None;
            return vec![];
        }
        let (session, first) = *self.clear.get_or_insert((report.session_started_at, report.watermark));
        if session != report.session_started_at {
            self.clear = Some((report.session_started_at, report.watermark));
            return vec![];
        }
        if seconds(first, report.watermark) < settings.get(Condition::EndpointSilent, "delay_s") {
            return vec![];
        }
        self.end(report.watermark)
    }

    fn end(&mut self, at: Timestamp) -> Vec<Transition> {
        let Self { active, began, last, chatter, .. } = std::mem::take(self);
        self.chatter = chatter;
        let at = last.map_or(at, |last| last.max(at));
        self.last = if active { Some(at) } else { last };
        if !active {
            return vec![];
        }
        let lasted_s = began.map_or(0.0, |began| seconds(began, at));
        vec![Transition {
            condition: Condition::EndpointSilent,
            change: Change::Returned,
            at,
            summary: format!("answers again after {}", span(lasted_s)),
            facts: vec![fact("Without an answer for", lasted_s, "s")],
        }]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::story::{at, told};

    fn report(session_s: i64, watermark_s: i64) -> Report<'static> {
        Report { poller: "p", session_started_at: at(session_s), watermark: at(watermark_s) }
    }

    fn failing(
        detector: &mut EndpointDetector,
        session_s: i64,
        since_s: i64,
        watermark_s: i64,
    ) -> Vec<String> {
        let report = report(session_s, watermark_s);
        told(detector.failing(&Settings::default(), &report, at(since_s), "no answer within 2 s"))
    }

    #[test]
    fn told_at_its_delay_and_ended_by_the_first_reading() {
        let mut e = EndpointDetector::new();
        assert!(failing(&mut e, 0, 100, 219).is_empty());
        assert_eq!(
            failing(&mut e, 0, 100, 260),
            ["220 endpoint_silent raised: no answer for 2 min: no answer within 2 s"]
        );
        assert!(told(e.answered(at(99))).is_empty(), "measured before it failed, written late");
        assert_eq!(told(e.answered(at(700))), ["700 endpoint_silent returned: answers again after 10 min"]);
        assert_eq!(e.failing_since(), None);
    }

    #[test]
    fn it_never_ends_before_it_began() {
        let mut e = EndpointDetector::new();
        failing(&mut e, 0, 100, 260);
        let ended = told(e.answered(at(150)));
        assert_eq!(ended, ["220 endpoint_silent returned: answers again after 2 min"], "written late");
    }

    #[test]
    fn a_restarted_poller_that_has_not_tried_yet_ends_nothing() {
        let mut e = EndpointDetector::new();
        failing(&mut e, 0, 100, 260);
        assert!(told(e.not_failing(&Settings::default(), &report(500, 501))).is_empty());
        assert!(failing(&mut e, 500, 505, 700).is_empty(), "the same alarm goes on");
        for s in [710, 829] {
            assert!(told(e.not_failing(&Settings::default(), &report(500, s))).is_empty());
        }
        let ended = told(e.not_failing(&Settings::default(), &report(500, 830)));
        assert_eq!(ended.len(), 1, "two minutes of one process's word");
    }

    #[test]
    fn one_that_comes_and_goes_is_held_until_it_has_been_quiet() {
        use crate::conditions::story::told as lines;
        let mut e = EndpointDetector::new();
        let mut told = vec![];
        for i in 0..6 {
            told.extend(failing(&mut e, 0, 600 * i, 600 * i + 200));
            told.extend(lines(e.answered(at(600 * i + 300))));
        }
        assert_eq!(told.len(), 7, "{told:?}");
        assert!(told[6].contains("chattering: 4th time within an hour"), "{told:?}");
        assert!(e.chatters() && e.failing_since().is_none(), "it answers, and the alarm stands");
        assert!(lines(e.not_failing(&Settings::default(), &report(0, 5099))).is_empty());
        // any poller's report tells the time
        let other = Report { poller: "q", ..report(0, 5100) };
        let ended = lines(e.not_failing(&Settings::default(), &other));
        assert_eq!(
            ended,
            [
                "3300 endpoint_silent returned: answers again after 5 min; raised 2 more times while it chattered, quiet for 30 min"
            ]
        );
    }

    #[test]
    fn another_pollers_list_says_nothing_about_it() {
        let mut e = EndpointDetector::new();
        failing(&mut e, 0, 100, 260);
        for s in [300, 900] {
            let other = Report { poller: "q", ..report(0, s) };
            assert!(told(e.not_failing(&Settings::default(), &other)).is_empty());
        }
        assert!(e.failing_since().is_some());
    }
}
