//! Which alarms came most often, and which chattered.

use std::{
    cmp::Reverse,
    collections::{HashMap, HashSet},
};

use super::{Annunciation, Source};
use crate::{
    Timestamp,
    alarms::chatter::{MOST_RAISES, WINDOW},
};

/// How many are listed.
const LISTED: usize = 10;

/// One alarm and how often it was told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Frequent {
    /// Condition and place.
    pub source: Source,
    /// Times told in the period.
    pub times: u64,
    /// Of all, %.
    pub percent: f64,
}

/// The last raises of one source, and how many in all.
#[derive(Debug, Clone, Copy, Default)]
struct Seen {
    times: u64,
    /// The last few, as a ring.
    last: [Option<Timestamp>; MOST_RAISES],
}

/// What one pass over annunciations in order of time finds.
#[derive(Debug, Default)]
pub(super) struct Counted {
    pub(super) most: Vec<Frequent>,
    pub(super) sources: usize,
    pub(super) chattering: HashSet<Source>,
}

#[allow(clippy::cast_precision_loss, reason = "counts of alarms")]
pub(super) fn count(annunciations: &[Annunciation]) -> Counted {
    let mut seen: HashMap<Source, Seen> = HashMap::new();
    let mut chattering = HashSet::new();
    for a in annunciations {
        let source = (a.condition, a.place);
        let of = seen.entry(source).or_default();
        // the slot about to be used holds the raise so many before this one
        let slot = usize::try_from(of.times % MOST_RAISES as u64).unwrap_or(0);
        if of.last[slot].is_some_and(|earlier| a.at - earlier < WINDOW) {
            chattering.insert(source);
        }
        of.last[slot] = Some(a.at);
        of.times += 1;
    }
    let all = annunciations.len() as f64;
    let frequent = |(source, of): (&Source, &Seen)| Frequent {
        source: *source,
        times: of.times,
        percent: 100.0 * of.times as f64 / all,
    };
    let mut most: Vec<Frequent> = seen.iter().map(frequent).collect();
    let order = |f: &Frequent| (Reverse(f.times), f.source);
    if most.len() > LISTED {
        most.select_nth_unstable_by_key(LISTED, order);
        most.truncate(LISTED);
    }
    most.sort_by_key(order);
    Counted { most, sources: seen.len(), chattering }
}
