//! When the tap was last at neutral or passed it: as reported, and as implied.

use serde::{Deserialize, Serialize};

use crate::Timestamp;

/// The last passages. A passage between two readings counts when the later one is taken.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Passages {
    #[serde(rename = "r", skip_serializing_if = "Option::is_none")]
    reported_s: Option<i64>,
    #[serde(rename = "i", skip_serializing_if = "Option::is_none")]
    implied_s: Option<i64>,
    /// Taps at the reading before.
    #[serde(rename = "n", skip_serializing_if = "Option::is_none")]
    last: Option<(i16, i16)>,
}

impl Passages {
    /// Takes the reported and the implied tap.
    #[inline]
    pub(super) fn observe(&mut self, at_s: i64, reported: i16, implied: i16) {
        let (before_reported, before_implied) = self.last.unwrap_or((reported, implied));
        let passed = |before: i16, now: i16| now == 0 || (before < 0) != (now < 0);
        if passed(before_reported, reported) {
            self.reported_s = Some(at_s);
        }
        if passed(before_implied, implied) {
            self.implied_s = Some(at_s);
        }
        self.last = Some((reported, implied));
    }

    /// Whether the reported tap was at neutral, or passed it, at or after an instant.
    pub(super) fn reported_within(&self, from_s: i64) -> bool {
        self.reported_s.is_some_and(|s| s >= from_s)
    }

    /// The reported tap was at neutral, or passed it, last at this instant; nothing if never since the audit began.
    #[must_use]
    pub fn reported(&self) -> Option<Timestamp> {
        Timestamp::from_timestamp(self.reported_s?, 0)
    }

    /// The same of the implied tap: reported and slip together.
    #[must_use]
    pub fn implied(&self) -> Option<Timestamp> {
        Timestamp::from_timestamp(self.implied_s?, 0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn at_neutral_and_past_it_both_count() {
        let mut p = Passages::default();
        for (s, tap, slip) in [(10, 2, 1), (20, 1, 1), (30, 0, 1), (40, -1, 1), (50, -3, 1)] {
            p.observe(s, tap, tap + slip);
        }
        let at = |s| Timestamp::from_timestamp(s, 0);
        assert_eq!((p.reported(), p.implied()), (at(40), at(50)));
    }
}
