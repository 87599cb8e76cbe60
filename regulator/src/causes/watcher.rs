//! Watches one regulator's readings and says, some minutes later, why it tapped.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::{
    Assigned, Facts, LineDrop, OperationWindow, UNDONE_S,
    excursion::Excursion,
    judge::{Case, Judge},
    samples::{Sample, Samples},
    swings::{DayAndNight, Swings},
};
use crate::{
    Reading, Timestamp,
    operations::{Operation, State, Tracker},
    seconds,
};

/// Turns of power this great count as swings, per unit of rating.
const SWING: f64 = 0.05;
/// Load must change by this much from reading to reading for the line to be learnt from it, per unit of rating.
const LOAD_CHANGE: f64 = 0.012;
/// How long a passage by hand may take to come back, s.
const PASSAGE_S: f64 = 900.0;
/// Judged operations are remembered this long, s.
const REMEMBERED_S: f64 = 1800.0;

/// What is worth keeping between runs: it takes days to learn, and a few hundred bytes to store.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Learned {
    /// The line before the regulator.
    pub line: LineDrop,
    /// Swings by day and by night.
    pub swings: DayAndNight,
    /// The last exercise in automatic.
    pub exercised: Option<Timestamp>,
}

/// The streaming part: see the module's head for its use.
#[derive(Debug, Clone, Default)]
pub struct Watcher {
    tracker: Tracker,
    samples: Samples,
    swings: Swings,
    line: LineDrop,
    exercised: Option<Timestamp>,
    /// The reading after the last operation, and which way that went.
    reference: Option<(Sample, Option<i32>)>,
    pending: VecDeque<Case>,
    judged: VecDeque<Case>,
}

impl Watcher {
    /// One that goes on with what an earlier one learnt.
    #[must_use]
    pub fn with(learned: Learned) -> Self {
        let mut watcher = Self { line: learned.line, exercised: learned.exercised, ..Self::default() };
        watcher.swings.learned = learned.swings;
        watcher
    }

    /// What it has learnt.
    #[must_use]
    pub const fn learned(&self) -> Learned {
        Learned { line: self.line, swings: self.swings.learned, exercised: self.exercised }
    }

    /// When the last reading taken was measured.
    #[must_use]
    pub fn last_seen(&self) -> Option<Timestamp> {
        self.tracker.last_seen()
    }

    /// Operations seen and not yet settled.
    #[must_use]
    pub fn pending(&self) -> usize {
        self.pending.len()
    }

    /// Takes the next reading; one that is not later than the last is ignored. Gives the operation that it shows, if any; its cause comes
    /// from [`Watcher::settle`].
    pub fn observe(&mut self, facts: &Facts, reading: &Reading) -> Option<Operation> {
        let at = reading.measured_at;
        if self.last_seen().is_some_and(|last| at <= last) {
            return None;
        }
        let operation = self.tracker.observe(facts.counter_modulus, reading);
        let sample = Sample::of(facts, at, self.tracker.tap(), &State::of(reading));
        self.learn(facts, &sample, operation.is_some());
        self.samples.push(sample, operation.is_some());
        if let Some(operation) = &operation {
            let last = self.reference.as_ref().map(|(sample, way)| (sample, *way));
            let excursion = Excursion::before(facts, &self.line, &self.samples, operation, last);
            self.reference = Some((sample, excursion.direction));
            let (line, nights) = (self.line, self.swings.learned);
            self.pending.push_back(Case { operation: operation.clone(), excursion, line, nights });
        }
        operation
    }

    fn learn(&mut self, facts: &Facts, sample: &Sample, operated: bool) {
        if let Some(load) = sample.load {
            self.swings.observe(sample.at, load.real, SWING, facts.place.daylight(sample.at));
        }
        let Some(last) = self.samples.last().filter(|_| !operated) else { return };
        if seconds(last.at, sample.at) > 90.0_f64.max(2.0 * facts.poll_s) {
            return;
        }
        let change = last.load.zip(sample.load).and_then(|(earlier, later)| later.since(&earlier));
        let volts = last.supply_v.zip(sample.supply_v).map(|(earlier, later)| later - earlier);
        if let (Some((real, reactive)), Some(volts)) = (change, volts)
            && real.abs().max(reactive.abs()) > LOAD_CHANGE
        {
            self.line.learn(volts, real, reactive);
            let dark = facts.place.daylight(sample.at) == Some(super::Daylight::Dark);
            if dark && sample.load.is_some_and(|l| l.has_reactive) {
                self.swings.learned.dark_change(real, reactive);
            }
        }
    }

    /// Causes of the operations for which enough time has passed, in order. Everything measured before `until` has been observed, by this
    /// watcher and by those of the regulators upstream, whose operations of the last quarter of an hour and more `upstream` holds, in any order.
    ///
    /// It waits five minutes and a poll, and in manual fifteen minutes for the way back. Called at least every ten minutes of the readings' time
    /// it gives the same however often it is called; later, what it needs may be forgotten.
    pub fn settle(&mut self, facts: &Facts, until: Timestamp, upstream: &[OperationWindow]) -> Vec<Assigned> {
        let mut out = vec![];
        while let Some(case) = self.pending.front() {
            let wait_s = if case.excursion.manual { PASSAGE_S } else { UNDONE_S } + facts.poll_s;
            if seconds(case.operation.at, until) < wait_s {
                break;
            }
            let Some(case) = self.pending.pop_front() else { break };
            let judge = Judge {
                facts,
                samples: &self.samples,
                swings: &self.swings,
                exercised: self.exercised,
                earlier: &self.judged,
                later: &self.pending,
            };
            let assigned = judge.assign(&case, upstream);
            if assigned.cause == super::Cause::Exercise && !case.excursion.manual {
                self.exercised = Some(case.operation.at);
            }
            out.push(assigned);
            self.remember(case, until);
        }
        out
    }

    fn remember(&mut self, case: Case, until: Timestamp) {
        self.judged.push_back(case);
        while self.judged.front().is_some_and(|c| seconds(c.operation.at, until) > REMEMBERED_S) {
            self.judged.pop_front();
        }
    }
}
