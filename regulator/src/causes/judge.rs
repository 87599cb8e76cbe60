//! From what the readings say to a cause.

use std::collections::VecDeque;

use super::{
    Assigned, Cause, Facts, LineDrop, OperationWindow, UNDONE_S,
    clouds::{Signs, load_part},
    excursion::{Course, Excursion},
    parts::Parts,
    samples::Samples,
    swings::{DayAndNight, Swings},
    upstream,
};
use crate::{Timestamp, conditions::Fact, operations::Operation, seconds};

/// A movement below this explains nothing, V.
const MOVED_V: f64 = 0.2;
/// Inside the band by this much, V, no voltage asked for the operation.
const INSIDE_V: f64 = 0.2;
/// Turns of power are counted from this long before an operation, s.
const SWINGS_S: f64 = 1800.0;

/// An operation and what was seen before it.
#[derive(Debug, Clone)]
pub(super) struct Case {
    pub(super) operation: Operation,
    pub(super) excursion: Excursion,
    /// What had been learnt by then: so that it does not matter how much later it is judged.
    pub(super) line: LineDrop,
    pub(super) nights: DayAndNight,
}

impl Case {
    /// Whether no voltage asked for it: all that was seen was inside the band, and polls are close enough to see.
    pub(super) fn unasked(&self, facts: &Facts) -> bool {
        let close = facts.poll_s <= 0.75 * self.excursion.delay_s;
        close && self.excursion.out_s.is_none() && self.excursion.inside_v.is_some_and(|v| v > INSIDE_V)
    }

    pub(super) fn opposes(&self, other: &Self) -> bool {
        self.excursion.direction.zip(other.excursion.direction).is_some_and(|(a, b)| a == -b)
    }
}

/// A verdict before it is written up.
pub(super) struct Verdict {
    cause: Cause,
    confidence: f64,
    because: String,
    evidence: Vec<Fact>,
}

impl Verdict {
    pub(super) fn new(cause: Cause, confidence: f64, because: &str) -> Self {
        Self { cause, confidence, because: because.to_owned(), evidence: vec![] }
    }

    pub(super) fn fact(mut self, label: &str, value: f64, unit: &str) -> Self {
        self.evidence.push(fact(label, value, unit));
        self
    }
}

/// Everything that a cause is judged from.
pub(super) struct Judge<'a> {
    pub(super) facts: &'a Facts,
    pub(super) samples: &'a Samples,
    pub(super) swings: &'a Swings,
    pub(super) exercised: Option<Timestamp>,
    pub(super) earlier: &'a VecDeque<Case>,
    pub(super) later: &'a VecDeque<Case>,
}

impl Judge<'_> {
    pub(super) fn assign(&self, case: &Case, windows: &[OperationWindow]) -> Assigned {
        let undoing = self.later.iter().take_while(|c| gap_s(case, c) <= UNDONE_S).find(|c| c.opposes(case));
        let verdict = self.verdict(case, undoing, windows);
        Assigned {
            operation: case.operation.clone(),
            cause: verdict.cause,
            confidence: verdict.confidence.clamp(0.0, 1.0),
            evidence: verdict.evidence,
            because: verdict.because,
            undone_after_s: undoing.map(|c| gap_s(case, c)),
        }
    }

    fn verdict(&self, case: &Case, undoing: Option<&Case>, windows: &[OperationWindow]) -> Verdict {
        let undone =
            self.earlier.iter().rev().take_while(|c| gap_s(c, case) <= UNDONE_S).find(|c| c.opposes(case));
        self.by_hand(case)
            .or_else(|| by_setting(case))
            .or_else(|| self.exercise(case, undone, undoing))
            .or_else(|| self.hunting(case, undone, undoing))
            .unwrap_or_else(|| self.moved(case, windows))
    }

    /// What moved the voltage out of band: the greatest of upstream steps, load and other supply.
    fn moved(&self, case: &Case, windows: &[OperationWindow]) -> Verdict {
        if case.excursion.direction.is_none() {
            return Verdict::new(Cause::Unexplained, 0.5, "cannot tell which way it tapped");
        }
        let Some(course) = case.excursion.course else {
            return Verdict::new(Cause::Unexplained, 0.5, "cannot tell: no voltage to judge by");
        };
        let steps = upstream::steps(self.facts, &case.line, self.samples, &case.excursion, windows);
        let parts = Parts::of(&course, steps);
        let verdict = if parts.sum() < MOVED_V {
            Verdict::new(Cause::Unexplained, 0.4, "nothing that was measured moved the voltage")
        } else {
            self.greatest(case, &course, &parts)
        };
        let mut verdict = verdict.fact("Voltage moved towards the edge", course.moved_v, "V");
        verdict.evidence.extend(parts.facts());
        verdict.evidence.extend(steps.map(|s| fact("After the upstream operation", s.lag_s, "s")));
        verdict.evidence.extend(case.excursion.out_s.map(|s| fact("Out of band before", s, "s")));
        verdict
    }

    fn greatest(&self, case: &Case, course: &Course, parts: &Parts) -> Verdict {
        let share = parts.greatest() / parts.sum();
        // A movement of a few tenths of a volt may be noise; a share of half is a toss-up.
        let size = (parts.sum() / 0.6).min(1.0);
        let banded = if case.excursion.band.is_some() { 1.0 } else { 0.7 };
        let confidence = |direct: f64| (direct * share * size.sqrt() * banded).clamp(0.1, 0.97);
        if parts.upstream_v >= parts.greatest() {
            return if parts.seen {
                Verdict::new(
                    Cause::Upstream,
                    confidence(1.0),
                    "an upstream tap made the step that it answers",
                )
            } else {
                let because = "an upstream tap came just before; polls are too far apart to see its step";
                Verdict::new(Cause::Upstream, confidence(0.6), because)
            };
        }
        let Some(load_v) = parts.load_v else {
            return Verdict::new(
                Cause::Unexplained,
                0.3,
                "cannot tell supply from load: neither power nor current",
            );
        };
        let direct = if course.learnt { 0.97 } else { 0.7 };
        if load_v < parts.greatest() {
            return Verdict::new(
                Cause::Source,
                confidence(direct),
                "the source voltage moved, and not by this load",
            );
        }
        self.load_or_clouds(case, course, confidence(direct))
    }

    fn load_or_clouds(&self, case: &Case, course: &Course, confidence: f64) -> Verdict {
        let signs = self.signs(case);
        let likelihood = signs.likelihood(course);
        let verdict = if likelihood >= 0.5 {
            Verdict::new(Cause::Clouds, confidence * likelihood, "power swings both ways in hours of sun")
        } else {
            Verdict::new(Cause::Load, confidence * (1.0 - likelihood), "the load moved it")
        };
        let mut verdict = verdict.fact("Likelihood of clouds", likelihood, "").fact(
            "Turns of power, rarer way",
            f64::from(signs.both_ways()),
            "",
        );
        verdict
            .evidence
            .extend(course.load.map(|(real, _)| fact("Load change, of rating", 100.0 * real, "%")));
        verdict.evidence.extend(
            load_part(course, signs.load_reactive)
                .map(|part| fact("Load's part by reactive power", 100.0 * part, "%")),
        );
        verdict.evidence.extend(course.sharpest.map(|part| fact("Of it in one poll", 100.0 * part, "%")));
        verdict
    }

    fn signs(&self, case: &Case) -> Signs {
        let at = case.operation.at;
        let span = |s: f64| chrono::TimeDelta::milliseconds(ms(s));
        Signs {
            daylight: self.facts.place.daylight(at),
            turns: self.swings.between(at - span(SWINGS_S), at + span(UNDONE_S)),
            hours: (SWINGS_S + UNDONE_S) / 3600.0,
            dark_per_hour: case.nights.dark_per_hour(),
            load_reactive: case.nights.load_reactive(),
            close: self.facts.poll_s <= 20.0,
        }
    }
}

fn by_setting(case: &Case) -> Option<Verdict> {
    case.excursion.by_setting.then(|| {
        let held = case.excursion.held_v.unwrap_or(0.0);
        Verdict::new(Cause::Setting, 0.95, "by the settings before, the voltage was in band").fact(
            "Held voltage",
            held,
            "V",
        )
    })
}

pub(super) fn fact(label: &str, value: f64, unit: &str) -> Fact {
    Fact { label: label.to_owned(), value, unit: unit.to_owned() }
}

/// From one operation to another, s.
pub(super) fn gap_s(first: &Case, second: &Case) -> f64 {
    seconds(first.operation.at, second.operation.at)
}

#[allow(clippy::cast_possible_truncation, reason = "constants of minutes")]
fn ms(seconds: f64) -> i64 {
    (seconds * 1000.0) as i64
}
