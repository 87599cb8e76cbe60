//! Power is reversed, the control taps one way, away from its set voltage, and the load side does not answer.
//!
//! Reverse power alone is no runaway: weak generation reverses power too, and the load side follows the taps as ever. What
//! tells is the response: fed from the load side, a tap leaves the load voltage where it is and moves the source voltage the
//! other way ([`crate::flow`]; worked case in `flow/circuit.rs`). Operations count that begin and end with power reversed and
//! leave the load voltage out of band on the side that the taps should mend. What of their steps appears on the load side,
//! and on the source side where it is metered, must be unlike a healthy unit's by four standard errors of the noise heard
//! between readings; an operation across which power changed much says nothing, because that moves voltages by itself.
//!
//! True no longer when power has not been reversed for the return delay, or the load side has answered two operations.

use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Settings, Transition,
    hold::{Delays, Hold},
    words::{fact, number, span},
};
use crate::{
    Nameplate, Quantity, Reading, Timestamp,
    flow::{Brackets, Operation, supply},
    taps::TapChanger,
};

/// Share of a step that a healthy unit shows on its load side at least.
const HEALTHY: f64 = 0.85;
/// Standard errors between that and what is seen.
const SURE: f64 = 4.0;
/// Share from which an operation counts as answered.
const ANSWERED: f64 = 0.6;
/// Operations further apart than this are no run, seconds.
const LONGEST_PAUSE_S: i64 = 3600;
/// A change of power across an operation, of what the unit can pass, beyond which it says nothing.
const STEADY_SHARE: f64 = 0.05;

/// The limits of one regulator.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Limits {
    nameplate: Nameplate,
    threshold_kw: f64,
    least_operations: f64,
    response_share: f64,
    delays: Delays,
}

impl Limits {
    pub(super) fn new(nameplate: &Nameplate, settings: &Settings) -> Self {
        let get = |name| settings.get(Condition::Runaway, name);
        Self {
            nameplate: nameplate.clone(),
            threshold_kw: get("threshold_percent") / 100.0 * nameplate.kva,
            least_operations: get("least_operations"),
            response_share: get("response_share"),
            delays: Delays { on_s: 0.0, off_s: get("return_delay_s") },
        }
    }

    /// Whether power is reversed: by its sign beyond the threshold, else by the control's word.
    fn reversed(&self, reading: &Reading) -> Option<bool> {
        match reading.good(Quantity::RealPower) {
            Some(kw) => Some(kw < -self.threshold_kw),
            None => reading.flag(Quantity::ReverseFlow),
        }
    }
}

/// The state.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Runaway {
    brackets: Brackets,
    hold: Hold,
    #[serde(skip_serializing_if = "Option::is_none")]
    run: Option<Run>,
    /// Answered operations in a row while it is true.
    answered: u8,
}

/// Unanswered operations one way.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Run {
    since: Timestamp,
    last: Timestamp,
    /// Steps in all, raise positive.
    steps: i32,
    operations: u16,
    /// Volts that the steps should add up to on the load side, and those seen along them: load side up, source side down.
    expected_v: f32,
    load_v: f32,
    source_v: Option<f32>,
    /// Sum of squares of the noise.
    noise_v2: f32,
}

impl Runaway {
    pub(super) fn observe(&mut self, limits: &Limits, reading: &Reading, out: &mut Vec<Transition>) {
        match limits.reversed(reading) {
            Some(true) => self.reversed(limits, reading, out),
            Some(false) => self.not_reversed(limits, reading, out),
            None => {}
        }
    }

    fn reversed(&mut self, limits: &Limits, reading: &Reading, out: &mut Vec<Transition>) {
        if self.hold.is_active() {
            self.hold.observe(reading.measured_at, false, limits.delays);
        }
        if let Some(operation) = self.brackets.observe(reading) {
            self.operated(limits, reading, &operation, out);
        }
    }

    /// Taps under forward power are nobody's runaway: they are not even looked at.
    fn not_reversed(&mut self, limits: &Limits, reading: &Reading, out: &mut Vec<Transition>) {
        if !self.brackets.is_empty() {
            self.brackets.forget();
            self.run = None;
        }
        if self.hold.is_active() && self.hold.observe(reading.measured_at, true, limits.delays).is_some() {
            out.push(self.returned(reading, "power is not reversed any more"));
        }
    }

    pub(super) fn forget_pending(&mut self) {
        self.brackets.forget();
        self.run = None;
        self.hold.forget_pending();
    }

    fn operated(
        &mut self,
        limits: &Limits,
        reading: &Reading,
        operation: &Operation,
        out: &mut Vec<Transition>,
    ) {
        let changed_kw = operation.power_change_kw.unwrap_or(0.0);
        if changed_kw.abs() > STEADY_SHARE * limits.nameplate.through_kva() {
            return;
        }
        if self.hold.is_active() {
            self.heed_answer(limits, reading, operation, out);
            return;
        }
        if !wants(reading, operation) {
            self.run = None;
            return;
        }
        self.count(limits, operation);
        if let Some(run) = self.run.as_ref().filter(|run| run.is_runaway(limits)) {
            let transition = run.raised(limits, reading, operation);
            self.hold.observe(reading.measured_at, true, limits.delays);
            self.answered = 0;
            out.push(transition);
        }
    }

    #[allow(clippy::cast_possible_truncation, reason = "stored short on purpose")]
    fn count(&mut self, limits: &Limits, operation: &Operation) {
        let same_way = |run: &Run| {
            run.steps.signum() == operation.steps.signum()
                && (operation.at - run.last).num_seconds() <= LONGEST_PAUSE_S
                && run.source_v.is_some() == operation.source_change_v.is_some()
        };
        if !self.run.as_ref().is_some_and(same_way) {
            self.run = Some(Run::new(operation));
        }
        let Some(run) = &mut self.run else { return };
        let up = f64::from(operation.steps.signum());
        let expected_v = supply::expected_v(&limits.nameplate, operation).abs();
        run.last = operation.at;
        run.steps += operation.steps;
        run.operations = run.operations.saturating_add(1);
        run.expected_v += expected_v as f32;
        run.load_v += (up * operation.load_change_v) as f32;
        run.source_v = run.source_v.zip(operation.source_change_v).map(|(sum, v)| sum - (up * v) as f32);
        // rounding on top of what is heard between readings
        run.noise_v2 += (2.0 * operation.noise_v * operation.noise_v + 0.005) as f32;
    }

    /// While it is true: two operations in a row that the load side answers end it.
    fn heed_answer(
        &mut self,
        limits: &Limits,
        reading: &Reading,
        operation: &Operation,
        out: &mut Vec<Transition>,
    ) {
        let (load, source) = supply::shares(&limits.nameplate, operation);
        let answered = load > ANSWERED && source.is_none_or(|source| source < 1.0 - ANSWERED);
        self.answered = if answered { self.answered + 1 } else { 0 };
        if self.answered >= 2 {
            self.hold.end();
            out.push(self.returned(reading, "the load voltage answers the taps again"));
        }
    }

    fn returned(&mut self, reading: &Reading, why: &str) -> Transition {
        (self.run, self.answered) = (None, 0);
        let at = reading.measured_at;
        let lasted_s = self.hold.lasted_s(at);
        let mut facts = vec![fact("Since it was told", lasted_s, "s")];
        let mut summary = format!("{why}; had been so over {}", span(lasted_s));
        if let Some(tap) = reading.good(Quantity::Tap) {
            summary = format!("tap {tap:+}, {summary}");
            facts.push(fact("Tap", tap, ""));
        }
        Transition { condition: Condition::Runaway, change: Change::Returned, at, summary, facts }
    }
}

impl Run {
    const fn new(operation: &Operation) -> Self {
        let source_v = if operation.source_change_v.is_some() { Some(0.0) } else { None };
        Self {
            since: operation.from,
            last: operation.at,
            steps: 0,
            operations: 0,
            expected_v: 0.0,
            load_v: 0.0,
            source_v,
            noise_v2: 0.0,
        }
    }

    /// Share of the steps seen on the load side, with its standard error.
    fn share(&self) -> (f64, f64) {
        let expected_v = f64::from(self.expected_v);
        (f64::from(self.load_v) / expected_v, f64::from(self.noise_v2).sqrt() / expected_v)
    }

    fn is_runaway(&self, limits: &Limits) -> bool {
        let (share, error) = self.share();
        let source_answers =
            self.source_v.is_none_or(|v| f64::from(v / self.expected_v) >= 1.0 - 2.0 * limits.response_share);
        f64::from(self.steps.abs().min(self.operations.into())) >= limits.least_operations
            && share <= limits.response_share
            && HEALTHY - share >= SURE * error
            && source_answers
    }

    fn raised(&self, limits: &Limits, reading: &Reading, operation: &Operation) -> Transition {
        let nameplate = &limits.nameplate;
        let up = self.steps > 0;
        let end = if up { nameplate.tap_max } else { nameplate.tap_min };
        let there_v = operation.load_v / TapChanger::of(nameplate).ratio(end.into());
        let sign = if up { 1.0 } else { -1.0 };
        let (load_v, expected_v) = (sign * f64::from(self.load_v), sign * f64::from(self.expected_v));
        let source_v = self.source_v.map(|v| -sign * f64::from(v));
        let source = source_v.map_or_else(
            || "no source voltage to confirm it".to_owned(),
            |v| format!("the source voltage {v:+.1} V"),
        );
        let summary = format!(
            "power reversed, {} {} moved the load voltage by {} V of {expected_v:+.1} V, {source}; heads for tap {end:+}, \
             source voltage near {there_v:.1} V",
            self.steps.abs(),
            if up { "raises" } else { "lowers" },
            number(load_v, 1),
        );
        let mut facts = vec![
            fact("Tap", operation.tap.into(), ""),
            fact("Steps one way", self.steps.into(), ""),
            fact("Load voltage", operation.load_v, "V"),
            fact("Change of load voltage", load_v, "V"),
            fact("Change that the steps should give", expected_v, "V"),
            fact("Tap at which it will end", end.into(), ""),
            fact("Source voltage to be expected there", there_v, "V"),
        ];
        facts.extend(source_v.map(|v| fact("Change of source voltage", v, "V")));
        facts
            .extend(reading.good(Quantity::RealPower).map(|kw| fact("Real power, source to load", kw, "kW")));
        Transition {
            condition: Condition::Runaway,
            change: Change::Raised,
            at: reading.measured_at,
            summary,
            facts,
        }
    }
}

/// Whether the load voltage is still out of band on the side that this operation should have mended; true where the band is not
/// known. A compensator makes the band unknown.
fn wants(reading: &Reading, operation: &Operation) -> bool {
    let compensated = [Quantity::LdcResistance, Quantity::LdcReactance]
        .iter()
        .any(|&q| reading.good(q).is_some_and(|v| v != 0.0));
    let (Some(set_v), false) = (reading.good(Quantity::SetVoltage), compensated) else { return true };
    let half_v = reading.good(Quantity::Bandwidth).unwrap_or(0.0) / 2.0;
    if operation.steps > 0 { operation.load_v < set_v - half_v } else { operation.load_v > set_v + half_v }
}

#[cfg(test)]
mod tests;
