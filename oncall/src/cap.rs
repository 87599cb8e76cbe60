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
