//! The reported tap is off the one that the two voltages imply, by a whole number of steps.
//!
//! The rule is the tap audit's ([`crate::audit`]): a change of the offset by whole steps that stays, or an offset that the accuracy
//! classes cannot explain. True no longer when the audit sees the change undone, or the offset well within what the classes
//! allow. While the audit cannot tell, the alarm stays as it is.

use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Fact, Settings, Transition,
    hold::seconds,
    words::{fact, number, span},
};
use crate::{
    Nameplate, Quantity, Reading, Timestamp,
    audit::{self, Accuracy, Basis, Neighbour, TapAudit, Verdict, Why},
};

/// The limits of one regulator.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Limits {
    audit: audit::Limits,
    least_steps: f64,
    /// An offset told by the classes alone is explained again when it is inside their bound by this many steps.
    deadband_steps: f64,
}

impl Limits {
    pub(super) fn new(nameplate: &Nameplate, settings: &Settings) -> Self {
        let get = |name| settings.get(Condition::SlippedTapReport, name);
        let accuracy = Accuracy {
            source_percent: get("source_class_percent"),
            load_percent: get("load_class_percent"),
            ..Accuracy::default()
        };
        Self {
            audit: audit::Limits::new(nameplate, &accuracy),
            least_steps: get("least_steps"),
            deadband_steps: get("deadband_steps"),
        }
    }
}

/// The state: the audit's, and the alarm raised.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct SlippedTapReport {
    audit: TapAudit,
    /// Steps told, and since when it was so.
    told: Option<(i32, Option<Timestamp>)>,
}

impl Limits {
    pub(super) const fn audit(&self) -> &audit::Limits {
        &self.audit
    }
}

impl SlippedTapReport {
    pub(super) const fn audit(&self) -> &TapAudit {
        &self.audit
    }

    /// `neighbour`: a neighbour's source voltage, for a unit without one of its own.
    pub(super) fn observe(
        &mut self,
        limits: &Limits,
        reading: &Reading,
        neighbour: Option<&Neighbour>,
        out: &mut Vec<Transition>,
    ) {
        if !self.audit.observe_with(&limits.audit, reading, neighbour) {
            return;
        }
        let verdict = self.audit.verdict(&limits.audit);
        match (verdict, self.told) {
            (Verdict::Slipped { by, since, .. }, None) if f64::from(by.abs()) >= limits.least_steps => {
                self.told = Some((by, since));
                let basis = self.audit.basis();
                out.push(raised(limits, reading, (verdict, basis), by, since));
            }
            (Verdict::Agrees { offset, .. }, Some((by, since))) => {
                let explained = offset.abs() <= limits.audit.bound_steps() - limits.deadband_steps;
                if since.is_some() || explained {
                    let now = format!(
                        "the voltages imply the reported tap again ({} steps off)",
                        number(offset, 1)
                    );
                    self.told = None;
                    out.push(returned(reading, &now, by, since));
                }
            }
            // the load voltage answers again, and neutral was passed
            (Verdict::CannotTell(Why::NoSourceVoltage { .. }), Some((by, since))) => {
                self.told = None;
                out.push(returned(
                    reading,
                    "the load voltage answers the taps, and neutral was passed",
                    by,
                    since,
                ));
            }
            _ => {}
        }
    }

    pub(super) fn forget_pending(&mut self) {
        self.audit.forget_pending();
    }
}

fn raised(
    limits: &Limits,
    reading: &Reading,
    (verdict, basis): (Verdict, Basis),
    by: i32,
    since: Option<Timestamp>,
) -> Transition {
    let tap = reading.good(Quantity::Tap).unwrap_or(0.0);
    let basis = basis.words().map_or_else(String::new, |words| format!(", {words}"));
    let summary = format!("tap {tap:+} reported; {}{basis}", verdict.words());
    let mut facts = vec![
        fact("Reported tap", tap, ""),
        fact("Implied less reported", by.into(), "steps"),
        fact("Offset that accuracy explains", limits.audit.bound_steps(), "steps"),
    ];
    facts.extend(since.map(|since| lasted(since, reading.measured_at)));
    Transition {
        condition: Condition::SlippedTapReport,
        change: Change::Raised,
        at: reading.measured_at,
        summary,
        facts,
    }
}

fn returned(reading: &Reading, now: &str, by: i32, since: Option<Timestamp>) -> Transition {
    let at = reading.measured_at;
    let over = since.map_or_else(String::new, |since| format!(" over {}", span(seconds(since, at))));
    let summary = format!("{now}; had been {by:+} steps off{over}");
    let mut facts = vec![fact("Implied less reported, as told", by.into(), "steps")];
    facts.extend(since.map(|since| lasted(since, at)));
    Transition { condition: Condition::SlippedTapReport, change: Change::Returned, at, summary, facts }
}

fn lasted(since: Timestamp, at: Timestamp) -> Fact {
    fact("Since the first readings that show it", seconds(since, at), "s")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::story::{Story, at};

    /// A type B at +4 has 120 V and 120 / (1 - 4 x 0.00625) = 123.08 V.
    fn reading(s: i64, reported: f64) -> Reading {
        let wander = f64::from(i32::try_from(s / 60 % 7).unwrap()) * 0.1;
        Reading::new(at(s))
            .with(Quantity::Tap, reported)
            .with(Quantity::SourceVoltage, 120.0 + wander)
            .with(Quantity::LoadVoltage, 123.1 + wander)
    }

    fn run(story: &mut Story, hours: std::ops::Range<i64>, reported: f64) -> Vec<String> {
        (hours.start * 60..hours.end * 60).flat_map(|m| story.observe(&reading(m * 60, reported))).collect()
    }

    #[test]
    fn a_report_that_moves_alone_is_told_within_the_hour_and_ends_when_it_is_right_again() {
        let mut story = Story::common();
        assert!(run(&mut story, 0..12, 4.0).is_empty());
        let told = run(&mut story, 12..14, 5.0);
        assert_eq!(told.len(), 1, "{told:?}");
        assert!(
            told[0].contains("slipped_tap_report raised: tap +5 reported; the voltages imply a tap -1 steps from the reported one"),
            "{told:?}"
        );
        assert!(told[0].ends_with("since 2026-01-01 12:02 UTC"), "{told:?}");
        let told = run(&mut story, 14..17, 4.0);
        assert_eq!(told.len(), 1, "{told:?}");
        assert!(told[0].contains("returned: the voltages imply the reported tap again"), "{told:?}");
    }

    #[test]
    fn fewer_steps_than_the_limit_are_not_told() {
        let mut story = Story::common();
        story.set(Condition::SlippedTapReport, "least_steps", 2.0);
        assert!(run(&mut story, 0..12, 4.0).is_empty());
        assert!(run(&mut story, 12..20, 5.0).is_empty());
    }

    #[test]
    fn an_old_offset_is_judged_by_the_classes() {
        let mut fine = Story::common();
        assert!(run(&mut fine, 0..24, 6.0).is_empty(), "two steps may be the voltage transformers");
        let mut accurate = Story::common();
        accurate.set(Condition::SlippedTapReport, "source_class_percent", 0.3);
        accurate.set(Condition::SlippedTapReport, "load_class_percent", 0.3);
        let told = run(&mut accurate, 0..24, 6.0);
        assert_eq!(told.len(), 1, "{told:?}");
        assert!(told[0].contains("tap -2 steps (between -3 and -1)"), "{told:?}");
        assert!(told[0].contains("more than the accuracy of the voltages explains"), "{told:?}");
    }
}
