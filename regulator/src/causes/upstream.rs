//! Whether an operation answers one of a regulator upstream.

use serde::{Deserialize, Serialize};

use super::{Facts, LineDrop, excursion::Excursion, samples::Samples};
use crate::{Timestamp, operations::Operation, seconds};

/// When a regulator tapped, for the regulators downstream of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct OperationWindow {
    /// The operation lies after this instant ...
    pub since: Timestamp,
    /// ... and not after this one.
    pub at: Timestamp,
    /// Change of position, where known.
    pub steps: Option<i32>,
}

impl Operation {
    /// When it was and how far it went, for the causes of regulators downstream.
    #[must_use]
    pub fn window(&self) -> OperationWindow {
        OperationWindow { since: self.since, at: self.at, steps: self.steps() }
    }
}

/// Steps of the supply that upstream operations made, in the direction that asked for the operation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Steps {
    /// Together, V, positive towards the edge that was passed.
    pub(super) volts: f64,
    /// From the last of them to the operation, s.
    pub(super) lag_s: f64,
    /// Whether they were seen in the supply; if not, polls are too far apart to see them.
    pub(super) seen: bool,
}

/// An operation answers a step of at most so long ago, s (chosen here); what has stood longer is supply like any other.
const JUST_S: f64 = 180.0;
/// A step seen here is at least this part of what the upstream tap is worth.
const SEEN: f64 = 0.35;
/// And at most this multiple.
const MOST: f64 = 1.5;

/// The upstream operations that an operation can have answered: within three minutes and a poll before it and seen in this regulator's own
/// supply, those that took the voltage towards the edge less those that took it back.
pub(super) fn steps(
    facts: &Facts,
    drop: &LineDrop,
    samples: &Samples,
    excursion: &Excursion,
    windows: &[OperationWindow],
) -> Option<Steps> {
    let way = f64::from(-excursion.direction?);
    let longest_s = JUST_S + facts.poll_s;
    let mut found: Option<Steps> = None;
    for window in windows {
        let lag_s = seconds(window.at, excursion.at);
        // An upstream poll may show it after ours showed the answer.
        let possible = window.since < excursion.at && lag_s <= longest_s;
        if !possible || window.steps == Some(0) {
            continue;
        }
        let nominal = window.steps.map_or(facts.step_v, |n| f64::from(n.abs()) * facts.step_v);
        let towards = window.steps.is_none_or(|n| f64::from(n.signum()) * way > 0.0);
        let sign = if towards { 1.0 } else { -1.0 };
        let jump = jump(facts, drop, samples, window).map_or(0.0, |jump| jump * way * sign);
        let seen = jump >= SEEN * nominal;
        if !seen && !blurred(facts, excursion, window) {
            continue;
        }
        // Between polls far apart the supply moves too, so that what the tap is worth is surer than the step that was seen.
        let by_tap = !seen || window.steps.is_some() && facts.poll_s > excursion.delay_s;
        let volts = sign * if by_tap { nominal } else { jump.min(MOST * nominal) };
        found = Some(found.map_or(Steps { volts, lag_s, seen }, |sofar| Steps {
            volts: sofar.volts + volts,
            lag_s: sofar.lag_s.min(lag_s),
            seen: sofar.seen || seen,
        }));
    }
    found
}

/// Whether step and answer can both lie between the same two polls, so that what else happened there can hide the step.
fn blurred(facts: &Facts, excursion: &Excursion, window: &OperationWindow) -> bool {
    let hidden = facts.poll_s > excursion.delay_s;
    let late_s = seconds(excursion.at, window.at);
    hidden && window.steps.is_some() && window.at > excursion.since && late_s <= facts.poll_s
}

/// Change of the supply over a window, less what the load explains, V.
fn jump(facts: &Facts, drop: &LineDrop, samples: &Samples, window: &OperationWindow) -> Option<f64> {
    let (before, after) = (samples.before(window.since)?, samples.after(window.at)?);
    // Two clocks and a poll's length apart, not minutes.
    let blur_s = 3.0 * facts.poll_s + 30.0;
    if seconds(before.at, window.since) > blur_s || seconds(window.at, after.at) > blur_s {
        return None;
    }
    let change = after.supply_v? - before.supply_v?;
    let by_load = before.load.zip(after.load).and_then(|(earlier, later)| later.since(&earlier));
    let by_load = by_load.and_then(|(real, reactive)| drop.volts(real, reactive)).unwrap_or(0.0);
    Some(change - by_load)
}
