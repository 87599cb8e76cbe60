//! How long alarms stood, and were shelved.

use std::collections::HashSet;

use chrono::TimeDelta;

use super::{Input, Source, Span};
use crate::Timestamp;

/// An alarm that goes away sooner than this was fleeting.
pub const FLEETING_WITHIN: TimeDelta = TimeDelta::minutes(5);
/// An alarm that stands for longer than this is stale.
pub const STALE_AFTER: TimeDelta = TimeDelta::hours(24);

/// Alarms that began in the period and went away before anybody could have acted, those that chatter left out.
pub(super) fn fleeting(input: &Input<'_>, chattering: &HashSet<Source>) -> usize {
    let short = |s: &Span| s.to.is_some_and(|to| to - s.from < FLEETING_WITHIN);
    let began = |s: &Span| (input.from..input.to).contains(&s.from);
    let of_itself = |s: &Span| !chattering.contains(&(s.condition, s.place));
    input.standing.iter().filter(|s| began(s) && short(s) && of_itself(s)).count()
}

/// Alarms that were stale at some time in the period, the longest standing first.
pub(super) fn stale(input: &Input<'_>) -> Vec<Span> {
    let mut stale: Vec<Span> =
        input.standing.iter().filter(|s| stale_within(s, input).is_some()).copied().collect();
    stale.sort_by_key(|s| (s.from - s.to.unwrap_or(input.to), s.condition, s.place));
    stale
}

/// The part of the period during which it was stale.
fn stale_within(span: &Span, input: &Input<'_>) -> Option<(Timestamp, Timestamp)> {
    let from = (span.from + STALE_AFTER).max(input.from);
    let to = span.to.unwrap_or(input.to).min(input.to);
    (from < to).then_some((from, to))
}

/// Most that were stale at one time.
pub(super) fn most_stale(stale: &[Span], input: &Input<'_>) -> usize {
    let times = stale.iter().filter_map(|s| stale_within(s, input));
    // an end before a beginning at the same instant
    let mut steps: Vec<(Timestamp, bool)> =
        times.flat_map(|(from, to)| [(from, true), (to, false)]).collect();
    steps.sort_unstable();
    let (mut now, mut most) = (0_usize, 0);
    for (_, begins) in steps {
        now = if begins { now + 1 } else { now - 1 };
        most = most.max(now);
    }
    most
}

/// Alarms shelved for longer than allowed, up to the end of the period, longest first.
pub(super) fn shelved_too_long(input: &Input<'_>) -> Vec<Span> {
    let end = |s: &Span| s.to.unwrap_or(input.to).min(input.to);
    let too_long = |s: &&Span| end(s) - s.from > input.shelving_limit && end(s) > input.from;
    let mut long: Vec<Span> = input.shelved.iter().filter(too_long).copied().collect();
    long.sort_by_key(|s| (s.from - end(s), s.condition, s.place));
    long
}
