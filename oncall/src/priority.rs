//! How urgent a message is. The same four steps and numbers as the alarms have, whose crate this one does not know.

use serde::{Deserialize, Serialize};

/// How urgent a message is. Stored as its number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(into = "i16", try_from = "i16")]
#[repr(u8)]
pub enum Priority {
    /// Look at it this week.
    Low = 1,
    /// Look at it this shift.
    Medium = 2,
    /// Needs a hand within the hour.
    High = 3,
    /// Needs a hand now.
    Critical = 4,
}

/// A number that is no priority.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("there is no priority {0}: give 1 (low), 2 (medium), 3 (high) or 4 (critical)")]
pub struct NoSuchPriority(pub i16);

impl Priority {
    /// Every priority, lowest first.
    pub const ALL: [Self; 4] = [Self::Low, Self::Medium, Self::High, Self::Critical];
}

impl From<Priority> for i16 {
    fn from(priority: Priority) -> Self {
        priority as Self
    }
}

impl TryFrom<i16> for Priority {
    type Error = NoSuchPriority;

    fn try_from(number: i16) -> Result<Self, NoSuchPriority> {
        Self::ALL.into_iter().find(|p| i16::from(*p) == number).ok_or(NoSuchPriority(number))
    }
}
