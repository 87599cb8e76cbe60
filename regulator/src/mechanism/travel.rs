//! How long the mechanism says that it is under way.
//!
//! A step takes a few seconds, a whole run from one end to the other some minutes (common practice). A status that says "tap in
//! progress" in reading after reading, while neither tap nor counter changes, is a travel that does not end: a motor that stalls, a
//! switch that sticks, a limit or holding switch out of adjustment. Readings a poll apart can meet two travels one after the
//! other, but then something has changed between them.

use serde::{Deserialize, Serialize};

use crate::Timestamp;

/// The state: since when one and the same travel has been seen.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Travel {
    since: Option<Timestamp>,
}

impl Travel {
    /// Takes one reading's word: whether a tap is in progress (nothing where that is not reported), and whether tap or counter has
    /// changed since the last. Seconds for which the present travel has been seen under way; nothing when none is.
    pub fn observe(&mut self, at: Timestamp, in_progress: Option<bool>, changed: bool) -> Option<f64> {
        match in_progress {
            // what was not read neither prolongs a travel nor ends it
            None => return None,
            Some(false) => self.since = None,
            Some(true) if changed => self.since = Some(at),
            Some(true) => {}
        }
        if in_progress != Some(true) {
            return None;
        }
        let since = *self.since.get_or_insert(at);
        #[allow(clippy::cast_precision_loss, reason = "milliseconds fit")]
        Some((at - since).num_milliseconds() as f64 / 1000.0)
    }

    /// Forgets since when: its time turned out to be wrong.
    pub const fn forget(&mut self) {
        self.since = None;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(s: i64) -> Timestamp {
        Timestamp::UNIX_EPOCH + chrono::TimeDelta::seconds(s)
    }

    #[test]
    fn a_travel_lasts_from_its_first_reading_to_its_last() {
        let mut travel = Travel::default();
        assert_eq!(travel.observe(at(0), Some(false), false), None);
        assert_eq!(travel.observe(at(10), Some(true), false), Some(0.0));
        assert_eq!(travel.observe(at(20), None, false), None);
        assert_eq!(travel.observe(at(90), Some(true), false), Some(80.0));
        assert_eq!(travel.observe(at(100), Some(true), true), Some(0.0), "another step");
        assert_eq!(travel.observe(at(110), Some(false), true), None);
        assert_eq!(travel.observe(at(120), Some(true), false), Some(0.0));
    }
}
