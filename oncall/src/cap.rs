//! No flood: how many messages a person gets in a while.
//!
//! So many in a sliding window; what comes beyond is held, and becomes one summary as soon as a message may be sent again. While anything is held,
//! what comes is held with it, so that the summary is not overtaken for ever by what is new.
//! The cap knows no priorities: the caller decides what it asks about.

use chrono::{DateTime, Duration, Utc};
use serde::{Deserialize, Serialize};

/// At most so many messages in so many seconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Cap {
    /// Messages; 0 is taken as 1, for nobody may be cut off.
    pub messages: u16,
    /// The length of the sliding window, s.
    pub window_s: u32,
}

impl Default for Cap {
    /// Five messages in ten minutes (common practice). One alarm in two minutes is what EEMUA 191 takes to be more than an operator at a desk can
    /// follow for long (from memory); nobody follows more on a phone.
    fn default() -> Self {
        Self { messages: 5, window_s: 600 }
    }
}

/// Whether a message may be sent now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Admission {
    /// Send it.
    Send,
    /// Hold it; at this instant [`Cap::summary_due`] has an answer.
    Hold {
        /// When a message may be sent again; now, if only the summary is in the way.
        until: DateTime<Utc>,
    },
}

/// What to do about the messages that are held.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Summary {
    /// None is held.
    Nothing,
    /// Not yet: ask again at this instant.
    Wait {
        /// When a message may be sent again.
        until: DateTime<Utc>,
    },
    /// Send one message that sums up all that are held (or the one itself, if it is alone); it counts against the cap like any other.
    Due,
}

impl Cap {
    /// Whether a message may be sent now, given when others were (in any order, older ones may be left out) and how many are held.
    #[must_use]
    pub fn admit(&self, now: DateTime<Utc>, recent: &[DateTime<Utc>], held: usize) -> Admission {
        match self.free_at(now, recent) {
            until if until > now || held > 0 => Admission::Hold { until },
            _ => Admission::Send,
        }
    }

    /// Whether the messages that are held are to be sent, as one.
    #[must_use]
    pub fn summary_due(&self, held: usize, recent: &[DateTime<Utc>], now: DateTime<Utc>) -> Summary {
        if held == 0 {
            return Summary::Nothing;
        }
        match self.free_at(now, recent) {
            until if until > now => Summary::Wait { until },
            _ => Summary::Due,
        }
    }

    /// The earliest instant, not before now, at which fewer than the cap lie in the window that ends there.
    /// A message leaves the window exactly `window_s` after it was sent. One stamped after now (a clock put back) counts as sent now.
    fn free_at(&self, now: DateTime<Utc>, recent: &[DateTime<Utc>]) -> DateTime<Utc> {
        let window = Duration::seconds(self.window_s.into());
        let mut leaves: Vec<_> = recent.iter().map(|sent| (*sent).min(now) + window).collect();
        leaves.sort_unstable_by(|a, b| b.cmp(a));
        let nth = usize::from(self.messages.max(1)) - 1;
        leaves.get(nth).map_or(now, |leave| (*leave).max(now))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn at(after_s: i64) -> DateTime<Utc> {
        "2026-11-25T22:00:00Z".parse::<DateTime<Utc>>().unwrap() + Duration::seconds(after_s)
    }

    const CAP: Cap = Cap { messages: 3, window_s: 100 };

    #[test]
    fn beyond_the_cap_a_message_waits_for_the_oldest_to_leave_the_window() {
        let hold = |until| Admission::Hold { until: at(until) };
        let table: [(i64, &[i64], usize, Admission); 9] = [
            (0, &[], 0, Admission::Send),
            (60, &[0, 50], 0, Admission::Send),
            (60, &[0, 50, 55], 0, hold(100)),
            (99, &[0, 50, 55], 0, hold(100)),
            (100, &[0, 50, 55], 0, Admission::Send),
            // in any order, and more than the cap (it was lowered): two have to leave
            (60, &[55, 10, 50, 0], 0, hold(110)),
            // only the summary is in the way
            (120, &[0, 50, 55], 4, hold(120)),
            // the cap is full as well
            (60, &[0, 50, 55], 4, hold(100)),
            // stamped after now
            (60, &[500, 500, 500], 0, hold(160)),
        ];
        for (now, sent, held, expected) in table {
            let sent: Vec<_> = sent.iter().copied().map(at).collect();
            assert_eq!(CAP.admit(at(now), &sent, held), expected, "{now} {sent:?}");
        }
    }

    #[test]
    fn held_messages_become_one_when_there_is_room() {
        let sent = [0, 50, 55].map(at);
        assert_eq!(CAP.summary_due(0, &sent, at(60)), Summary::Nothing);
        assert_eq!(CAP.summary_due(7, &sent, at(60)), Summary::Wait { until: at(100) });
        assert_eq!(CAP.summary_due(7, &sent, at(100)), Summary::Due);
    }

    #[test]
    fn nobody_is_cut_off_by_a_cap_of_nothing() {
        let none = Cap { messages: 0, window_s: 100 };
        assert_eq!(none.admit(at(0), &[], 0), Admission::Send);
        assert_eq!(none.admit(at(1), &[at(0)], 0), Admission::Hold { until: at(100) });
    }

    proptest! {
        /// However messages come, no window ever has more than the cap, and nothing is held for longer than a window.
        #[test]
        fn no_window_has_more_than_the_cap(gaps in prop::collection::vec(0..60_i64, 1..80)) {
            let (mut now, mut sent, mut held) = (0, Vec::new(), Vec::new());
            for gap in gaps {
                for second in now..now + gap {
                    if CAP.summary_due(held.len(), &sent, at(second)) == Summary::Due {
                        prop_assert!(held.iter().all(|since| second - since <= 100));
                        held.clear();
                        sent.push(at(second));
                    }
                }
                now += gap;
                match CAP.admit(at(now), &sent, held.len()) {
                    Admission::Send => sent.push(at(now)),
                    Admission::Hold { .. } => held.push(now),
                }
            }
            for window in sent.windows(usize::from(CAP.messages) + 1) {
                prop_assert!(window[3] - window[0] >= Duration::seconds(100));
            }
        }
    }
}
