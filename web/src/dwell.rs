//! How long contacts have not moved, in words: what is known is a least time, from the first reading that showed it.

use chrono_tz::Tz;
use regulator::{
    Timestamp,
    dwell::{Due, Stay},
};

use crate::board::{number, tap_text};

/// The present stay of one regulator.
#[derive(Debug, Clone, Default)]
pub struct Dwell {
    /// What was seen.
    pub stay: Stay,
    /// Its first reading.
    pub first_seen_at: Timestamp,
    /// Its last reading: until then it is known.
    pub seen_until: Timestamp,
    /// The last operation, if any was seen.
    pub moved_at: Option<Timestamp>,
    /// Last seen on neutral, or to have passed it.
    pub neutral_at: Option<Timestamp>,
    /// Whether the reversing switch was ever seen to move.
    pub reversed: bool,
    /// What is due, if anything.
    pub due: Due,
}

impl Dwell {
    /// Days on the tap, at least.
    #[must_use]
    pub fn tap_days(&self) -> Option<f64> {
        self.stay.since().map(|since| days(since, self.seen_until))
    }

    /// Days on the side of neutral, at least.
    #[must_use]
    pub fn side_days(&self) -> Option<f64> {
        self.stay.side_since().filter(|_| self.stay.side() != 0).map(|since| days(since, self.seen_until))
    }

    /// The tap and since when.
    #[must_use]
    pub fn contacts(&self, zone: &Tz) -> String {
        let Some((since, length)) = self.stay.since().zip(self.tap_days()) else {
            return "Cannot tell: no tap and no counter reported.".to_owned();
        };
        let at = self
            .stay
            .tap()
            .map_or_else(|| "Tap not reported".to_owned(), |tap| format!("Tap {}", place(tap)));
        let begun = if self.moved_at.is_some() { "since" } else { "never seen to move; first seen" };
        format!("{at}, no operation for at least {}, {begun} {}.", whole_days(length), clock(since, zone))
    }

    /// The side of neutral and since when.
    #[must_use]
    pub fn side(&self, zone: &Tz) -> String {
        let Some((since, length)) = self.stay.side_since().zip(self.side_days()) else {
            let known = self.stay.tap() == Some(0);
            return if known {
                "On neutral; no side seen yet."
            } else {
                "Cannot tell the side of neutral: no tap reported."
            }
            .to_owned();
        };
        let side = if self.stay.side() > 0 { "raise" } else { "lower" };
        let begun = if self.reversed { "since" } else { "first seen" };
        format!(
            "On the {side} side of neutral for at least {}, {begun} {}.",
            whole_days(length),
            clock(since, zone)
        )
    }

    /// The last passage of neutral.
    #[must_use]
    pub fn neutral(&self, zone: &Tz) -> String {
        match self.neutral_at {
            Some(at) => format!("Last seen on neutral, or past it, {}.", clock(at, zone)),
            None => format!("Not seen on neutral since readings began, {}.", clock(self.first_seen_at, zone)),
        }
    }

    /// What is due, in a few words.
    #[must_use]
    pub fn due(&self) -> Option<&'static str> {
        match (self.due.tap_days, self.due.side_days) {
            (Some(_), Some(_)) => Some("contacts and reversing switch"),
            (Some(_), None) => Some("contacts"),
            (None, Some(_)) => Some("reversing switch"),
            (None, None) => None,
        }
    }
}

/// A tap with its sign, for people.
#[must_use]
pub fn place(tap: i32) -> String {
    tap_text(tap.into())
}

/// Days, with a decimal while they are few.
#[must_use]
pub fn whole_days(days: f64) -> String {
    number(days, usize::from(days < 10.0), "d")
}

fn clock(at: Timestamp, zone: &Tz) -> String {
    at.with_timezone(zone).format("%Y-%m-%d %H:%M").to_string()
}

#[allow(clippy::cast_precision_loss, reason = "seconds of centuries are exact")]
fn days(from: Timestamp, to: Timestamp) -> f64 {
    (to - from).num_seconds().max(0) as f64 / 86_400.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use regulator::{Quantity, Reading};

    #[test]
    fn a_stay_is_told_as_a_least_time_and_as_first_seen_where_nothing_moved() {
        let at = |hours: i64| Timestamp::UNIX_EPOCH + chrono::TimeDelta::hours(hours);
        let mut dwell = Dwell { seen_until: at(72), ..Dwell::default() };
        let zone = Tz::UTC;
        assert!(dwell.contacts(&zone).starts_with("Cannot tell"));
        dwell.stay.observe(&Reading::new(at(0)).with(Quantity::Tap, 3.0), 65_536);
        assert_eq!(
            dwell.contacts(&zone).replace('\u{a0}', " "),
            "Tap +3, no operation for at least 3.0 d, never seen to move; first seen 1970-01-01 00:00."
        );
        assert!(dwell.neutral(&zone).starts_with("Not seen on neutral since readings began"));
        dwell.stay.observe(&Reading::new(at(24)).with(Quantity::Tap, -2.0), 65_536);
        dwell = Dwell { moved_at: Some(at(24)), neutral_at: Some(at(24)), reversed: true, ..dwell };
        assert!(dwell.contacts(&zone).contains("Tap −2, no operation for at least 2.0\u{a0}d, since"));
        assert!(dwell.side(&zone).starts_with("On the lower side of neutral for at least 2.0\u{a0}d, since"));
        assert!(dwell.neutral(&zone).contains("1970-01-02"));
    }
}
