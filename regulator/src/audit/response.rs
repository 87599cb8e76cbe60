//! Without a source voltage: does the load voltage answer the operations?
//!
//! A step should move it by 5/8 %. Source changes are noise, so each operation says by its likelihood ratio whether it was
//! answered; unanswered ones add up (Page's test), bounded each, and any that is answered takes away. Sixteen, and four
//! operations, mean that the mechanism does not move while the report does. One lost step among many cannot be told this way,
//! nor the position itself.

use serde::{Deserialize, Serialize};

use super::Limits;
use crate::flow::{Brackets, Operation, supply};

/// Logarithm of the likelihood ratio at which a run of operations counts as unanswered.
const ENOUGH: f32 = 16.0;
/// And fewest operations in it.
const LEAST: u16 = 4;
/// The most one operation may say.
const MOST: f64 = 4.0;
/// Share of a step that a healthy unit may show at least: the source's own impedance takes the rest.
const HEALTHY: f64 = 0.85;

/// The state.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Response {
    #[serde(rename = "b")]
    brackets: Brackets,
    #[serde(rename = "o")]
    pub(super) operations: u32,
    #[serde(rename = "a")]
    pub(super) answered: u32,
    #[serde(rename = "e")]
    evidence: f32,
    /// Operations, steps and first instant of the present run of unanswered ones.
    #[serde(rename = "n")]
    run: u16,
    #[serde(rename = "k")]
    steps: i16,
    #[serde(rename = "f")]
    since_s: i64,
}

impl Response {
    /// Takes a reading; steps reported without an answer so far, and since when, once there is enough of it.
    pub(super) fn observe(&mut self, limits: &Limits, reading: &crate::Reading) -> Option<(i16, i64)> {
        let operation = self.brackets.observe(reading)?;
        self.take(limits, &operation)
    }

    /// Whether the last operations were answered.
    pub(super) const fn answers(&self) -> bool {
        self.run == 0
    }

    /// Drops what was learnt under a clock that turned out to be wrong.
    pub(super) const fn forget(&mut self) {
        self.brackets.forget();
    }

    #[allow(clippy::cast_possible_truncation, reason = "bounded")]
    fn take(&mut self, limits: &Limits, operation: &Operation) -> Option<(i16, i64)> {
        let (share, _) = supply::shares(&limits.nameplate, operation);
        let steps_v = f64::from(operation.steps.abs()) * limits.nameplate.step_volts();
        // rounding on top of what is heard between readings
        let error = (std::f64::consts::SQRT_2 * operation.noise_v).max(0.1) / steps_v;
        let unanswered = HEALTHY * (HEALTHY - 2.0 * share) / (2.0 * error * error);
        self.operations = self.operations.saturating_add(1);
        self.answered = self.answered.saturating_add(u32::from(unanswered < 0.0));
        self.evidence += unanswered.clamp(-MOST, MOST) as f32;
        if self.evidence <= 0.0 {
            (self.evidence, self.run, self.steps) = (0.0, 0, 0);
            return None;
        }
        if self.run == 0 {
            self.since_s = operation.from.timestamp();
        }
        self.run = self.run.saturating_add(1);
        self.steps = self.steps.saturating_add(operation.steps as i16);
        let enough = self.evidence >= ENOUGH && self.run >= LEAST && self.steps != 0;
        self.evidence = self.evidence.min(ENOUGH);
        enough.then_some((self.steps, self.since_s))
    }
}
