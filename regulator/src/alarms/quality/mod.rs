//! How well a period's alarms served the people who answer them: the measures of ISA-18.2 and IEC 62682.
//!
//! Input is what people were shown: annunciations, how long alarms stood, what was shelved. Counting starts at the period's
//! beginning: its days, hours and tens of minutes are 24 h, 60 min and 10 min from there; the *most in any* hour or day slide. The figures that
//! values are held against, and how sure those are, are in [`figures`]. They are meant for one person's console; where several
//! share the alarms, divide first or measure each one's part.
//!
//! Chattering is counted as [`super::chatter`] defines it. Fleeting (the standard: of short duration, not at once repeated) is here
//! an alarm that went away within five minutes of being told, before anybody could have acted (ours), and does not
//! chatter. Stale is one that stands for more than 24 h (the standard's).
//!
//! One sort by time, if it is not so ordered, and one pass with a table of the places: a million annunciations are no burden.

pub mod figures;
mod frequent;
mod metrics;
mod rates;
mod standing;

#[cfg(test)]
mod tests;

use chrono::TimeDelta;

pub use figures::{Certainty, Figure, Verdict};
pub use frequent::Frequent;
pub use metrics::{Metric, Quality};
pub use rates::Rates;
pub use standing::{FLEETING_WITHIN, STALE_AFTER};

use crate::{
    Timestamp,
    conditions::{Condition, Priority},
};

/// One alarm that people were told of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Annunciation {
    /// When.
    pub at: Timestamp,
    /// Of what.
    pub condition: Condition,
    /// Of which place; any number that is the place's own among those of its condition.
    pub place: u64,
    /// How urgent.
    pub priority: Priority,
}

/// A time during which an alarm stood, or was shelved.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    /// Of what.
    pub condition: Condition,
    /// Of which place, as in [`Annunciation`].
    pub place: u64,
    /// Since when.
    pub from: Timestamp,
    /// Until when; nothing while it goes on.
    pub to: Option<Timestamp>,
}

/// What is measured.
#[derive(Debug, Clone, Copy)]
pub struct Input<'a> {
    /// The period begins.
    pub from: Timestamp,
    /// It ends; this instant is not part of it. If it goes on, now.
    pub to: Timestamp,
    /// Annunciations; those outside the period are left out.
    pub annunciations: &'a [Annunciation],
    /// Alarms that stood at any time in the period, whole.
    pub standing: &'a [Span],
    /// Alarms that were shelved at any time in the period, whole.
    pub shelved: &'a [Span],
    /// How long an alarm may be shelved.
    pub shelving_limit: TimeDelta,
}

/// The alarms of one condition at one place.
pub type Source = (Condition, u64);

/// Measures a period.
#[must_use]
pub fn measure(input: &Input<'_>) -> Quality {
    let within = |a: &&Annunciation| (input.from..input.to).contains(&a.at);
    let mut annunciations: Vec<Annunciation> = input.annunciations.iter().filter(within).copied().collect();
    if !annunciations.is_sorted_by_key(|a| a.at) {
        annunciations.sort_by_key(|a| a.at);
    }
    Quality::of(input, &annunciations)
}
