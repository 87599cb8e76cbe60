//! How many alarms came, and how crowded together.

use chrono::TimeDelta;

use super::Annunciation;
use crate::Timestamp;

/// More than this many in an hour make it a busy one (ISA-18.2, from memory).
const BUSY_HOUR: u64 = 30;
/// More than this many in ten minutes make them busy ones (ISA-18.2, looked up in secondary sources).
const BUSY_TEN_MINUTES: u64 = 10;

/// Counts over one length of time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rates {
    /// Mean over the period; nothing where the period is shorter.
    pub mean: Option<f64>,
    /// Most in any such time within the period, wherever it begins.
    pub most: u64,
    /// Share of whole intervals from the period's beginning with more than the limit, %; nothing where there is no limit or no
    /// whole interval.
    pub busy_percent: Option<f64>,
}

/// A day's, an hour's and ten minutes' counts of annunciations in order of time, all within the period.
pub(super) fn all(annunciations: &[Annunciation], from: Timestamp, to: Timestamp) -> [Rates; 3] {
    let of = |length, limit| rates(annunciations, (from, to), length, limit);
    [
        of(TimeDelta::hours(24), None),
        of(TimeDelta::hours(1), Some(BUSY_HOUR)),
        of(TimeDelta::minutes(10), Some(BUSY_TEN_MINUTES)),
    ]
}

#[allow(clippy::cast_precision_loss, reason = "counts of alarms")]
fn rates(
    annunciations: &[Annunciation],
    (from, to): (Timestamp, Timestamp),
    length: TimeDelta,
    limit: Option<u64>,
) -> Rates {
    let lengths = crate::seconds(from, to) / crate::seconds_of(length);
    let whole = (to - from).num_milliseconds().max(0) / length.num_milliseconds();
    let busy = limit.filter(|_| whole > 0).map(|limit| {
        let index = |a: &Annunciation| (a.at - from).num_milliseconds() / length.num_milliseconds();
        let bins = annunciations.chunk_by(|a, b| index(a) == index(b));
        let busy = bins.filter(|bin| bin.len() as u64 > limit && index(&bin[0]) < whole).count();
        100.0 * busy as f64 / whole as f64
    });
    Rates {
        mean: (lengths >= 1.0).then(|| annunciations.len() as f64 / lengths),
        most: most_in_any(annunciations, length),
        busy_percent: busy,
    }
}

/// The most within any such time: for each annunciation, those from less than the length before up to it.
fn most_in_any(annunciations: &[Annunciation], length: TimeDelta) -> u64 {
    let (mut first, mut most) = (0, 0);
    for (i, a) in annunciations.iter().enumerate() {
        while a.at - annunciations[first].at >= length {
            first += 1;
        }
        most = most.max(i + 1 - first);
    }
    most as u64
}
