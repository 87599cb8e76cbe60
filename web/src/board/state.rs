//! The one word that says how a regulator is.

use regulator::conditions::Priority;
use serde::Serialize;

/// How a regulator is, most urgent first: the order of the variants is the order on the board.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// An open alarm of critical priority.
    Critical,
    /// An open alarm of high priority.
    High,
    /// It has never sent a reading.
    NoData,
    /// Its last reading is older than its poll interval allows.
    Stale,
    /// An open alarm of medium priority.
    Medium,
    /// Its last reading lacks a usable load voltage.
    Doubtful,
    /// An open alarm of low priority.
    Low,
    /// The control is not in automatic, and it is no alarm yet.
    NotAutomatic,
    /// None of these.
    Healthy,
}

impl State {
    /// Every state, most urgent first.
    pub const ALL: &'static [Self] = &[
        Self::Critical,
        Self::High,
        Self::NoData,
        Self::Stale,
        Self::Medium,
        Self::Doubtful,
        Self::Low,
        Self::NotAutomatic,
        Self::Healthy,
    ];

    /// The state that an open alarm brings about.
    #[must_use]
    pub const fn of_alarm(priority: Priority) -> Self {
        match priority {
            Priority::Critical => Self::Critical,
            Priority::High => Self::High,
            Priority::Medium => Self::Medium,
            Priority::Low => Self::Low,
        }
    }

    /// The name in addresses and scripts.
    #[must_use]
    pub const fn key(self) -> &'static str {
        match self {
            Self::Critical => "critical",
            Self::High => "high",
            Self::NoData => "no-data",
            Self::Stale => "stale",
            Self::Medium => "medium",
            Self::Doubtful => "doubtful",
            Self::Low => "low",
            Self::NotAutomatic => "not-automatic",
            Self::Healthy => "healthy",
        }
    }

    /// The state of this name, if there is one.
    #[must_use]
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|s| s.key() == key)
    }

    /// The word shown to people.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Critical => "Critical",
            Self::High => "High",
            Self::NoData => "No data",
            Self::Stale => "Stale",
            Self::Medium => "Medium",
            Self::Doubtful => "Doubtful",
            Self::Low => "Low",
            Self::NotAutomatic => "Not automatic",
            Self::Healthy => "Healthy",
        }
    }

    /// How it looks: which symbol and weight (see `macros.html`, `sign`).
    #[must_use]
    pub const fn level(self) -> &'static str {
        match self {
            Self::Critical => "critical",
            Self::High => "high",
            Self::Medium => "medium",
            Self::Low => "low",
            Self::NoData | Self::Stale | Self::Doubtful => "blind",
            Self::NotAutomatic => "aside",
            Self::Healthy => "calm",
        }
    }

    /// Whether it stands among those that need a hand.
    #[must_use]
    pub const fn needs_a_hand(self) -> bool {
        !matches!(self, Self::Healthy)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_state_is_found_by_its_key_and_stands_in_order() {
        assert!(State::ALL.is_sorted());
        for &state in State::ALL {
            assert_eq!(State::from_key(state.key()), Some(state));
        }
    }

    #[test]
    fn a_blind_regulator_ranks_above_one_with_a_medium_alarm() {
        assert!(State::NoData < State::Medium && State::Stale < State::Medium);
        assert!(State::of_alarm(Priority::High) < State::Stale);
    }
}
