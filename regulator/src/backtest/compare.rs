//! Two settings of one condition over the same readings.
//!
//! Episodes of both that overlap in time are of the same event, though they may begin and end at other instants, or be one long
//! episode where the other has two; what overlaps nothing is of one setting only.

use super::{Episode, Outcome, Run};
use crate::{Phase, Reading, Timestamp};

/// Two runs side by side.
#[derive(Debug, Clone)]
pub struct Comparison {
    before: Run,
    after: Run,
}

impl Comparison {
    /// Of two runs that have taken nothing yet.
    #[must_use]
    pub const fn new(before: Run, after: Run) -> Self {
        Self { before, after }
    }

    /// Takes one reading into both; see [`Run::take`].
    pub fn take(&mut self, member: Phase, reading: &Reading) {
        self.before.take(member, reading);
        self.after.take(member, reading);
    }

    /// Ends both runs and compares them.
    #[must_use]
    pub fn finish(self) -> Compared {
        Compared::of(self.before.finish(), self.after.finish())
    }
}

/// Episodes of both settings that belong to the same event.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Shared {
    /// With the settings before.
    pub before: Vec<Episode>,
    /// With the settings after.
    pub after: Vec<Episode>,
}

/// What two settings would have raised.
#[derive(Debug, Clone, PartialEq)]
pub struct Compared {
    /// Raised by the settings before alone.
    pub only_before: Vec<Episode>,
    /// Raised by the settings after alone.
    pub only_after: Vec<Episode>,
    /// Raised by both.
    pub both: Vec<Shared>,
    /// How long the condition was true in all with the settings before, seconds.
    pub before_s: f64,
    /// The same with the settings after.
    pub after_s: f64,
    /// The earliest and the latest reading; nothing if there were none.
    pub span: Option<(Timestamp, Timestamp)>,
}

impl Compared {
    /// Compares two outcomes over the same readings.
    #[must_use]
    pub fn of(before: Outcome, after: Outcome) -> Self {
        let mut compared = Self {
            only_before: vec![],
            only_after: vec![],
            both: vec![],
            before_s: before.total_s(),
            after_s: after.total_s(),
            span: before.span.or(after.span),
        };
        let tagged = |episodes: Vec<Episode>, is_after| episodes.into_iter().map(move |e| (is_after, e));
        let mut all: Vec<_> = tagged(before.episodes, false).chain(tagged(after.episodes, true)).collect();
        all.sort_by_key(|(is_after, e)| (e.raised_at, *is_after));
        let mut group = Shared::default();
        let mut ends = None;
        for (is_after, episode) in all {
            if ends.is_some_and(|ends| episode.raised_at > ends) {
                compared.close(std::mem::take(&mut group));
                ends = None;
            }
            let until = episode.returned_at.unwrap_or(Timestamp::MAX_UTC);
            ends = Some(ends.map_or(until, |ends: Timestamp| ends.max(until)));
            if is_after { &mut group.after } else { &mut group.before }.push(episode);
        }
        compared.close(group);
        compared
    }

    /// Files episodes that overlap one another.
    fn close(&mut self, group: Shared) {
        match (group.before.is_empty(), group.after.is_empty()) {
            (_, true) => self.only_before.extend(group.before),
            (true, false) => self.only_after.extend(group.after),
            (false, false) => self.both.push(group),
        }
    }
}
