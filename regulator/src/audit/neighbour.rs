//! A source voltage that is not the unit's own.
//!
//! Units on one bus have one source voltage a phase, so a neighbour's measurement does for a unit that has none. Of the same
//! phase it is as good as its own, classes granted. Of another phase it differs by the supply's unbalance, which comes and goes with
//! the load: ANSI C84.1 (annex on unbalance) would have a supply within 3 %, and what the phases drift apart in a day looks like a
//! step of 5/8 % now and then. So by another phase no steady offset within the unbalance is told, nor a change of a single step.
//! The audit stays with one neighbour, whose own errors it has learnt.

use serde::{Deserialize, Serialize};

/// Unbalance that a supply may have, per unit (ANSI C84.1: 3 %).
const UNBALANCE: f64 = 0.03;
/// Fewest steps of change that another phase's voltage can show.
pub(super) const LEAST_OF_ANOTHER_PHASE: i16 = 2;

/// What a neighbour on the same bus reports at about the time of a reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Neighbour {
    /// Which regulator.
    pub id: i32,
    /// Its source voltage, V on the secondary base of the unit that is audited.
    pub source_v: f64,
    /// Whether it is of the same phase.
    pub same_phase: bool,
}

impl Neighbour {
    pub(super) const fn basis(&self) -> Basis {
        if self.same_phase { Basis::SamePhase } else { Basis::OtherPhase }
    }

    /// Whether an audit that goes by this takes it.
    pub(super) const fn does_for(&self, basis: Basis) -> bool {
        match basis {
            Basis::Nowhere | Basis::OtherPhase => true,
            Basis::SamePhase => self.same_phase,
            Basis::Own => false,
        }
    }
}

/// Where the source voltage comes from that a tap is audited by.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(from = "u8", into = "u8")]
pub enum Basis {
    /// There is none.
    #[default]
    Nowhere,
    /// The unit's own.
    Own,
    /// A neighbour's on the same bus and phase.
    SamePhase,
    /// A neighbour's on the same bus, of another phase.
    OtherPhase,
}

impl Basis {
    /// What it adds to the offset that accuracy explains, per unit.
    pub(super) const fn allowance(self) -> f64 {
        if matches!(self, Self::OtherPhase) { UNBALANCE } else { 0.0 }
    }

    /// In words, where it is not the unit's own.
    #[must_use]
    pub const fn words(self) -> Option<&'static str> {
        match self {
            Self::Nowhere | Self::Own => None,
            Self::SamePhase => Some("by the source voltage of a neighbour on the same bus and phase"),
            Self::OtherPhase => Some(
                "by the source voltage of a neighbour on the same bus, of another phase: up to 3 % of unbalance is granted, and \
                 changes of a single step are not told",
            ),
        }
    }
}

impl From<u8> for Basis {
    fn from(stored: u8) -> Self {
        match stored {
            1 => Self::Own,
            2 => Self::SamePhase,
            3 => Self::OtherPhase,
            _ => Self::Nowhere,
        }
    }
}

impl From<Basis> for u8 {
    fn from(basis: Basis) -> Self {
        match basis {
            Basis::Nowhere => 0,
            Basis::Own => 1,
            Basis::SamePhase => 2,
            Basis::OtherPhase => 3,
        }
    }
}
