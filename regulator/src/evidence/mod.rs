//! Neutral evidence: what the records say about whether a regulator is on neutral. Evidence, never permission.
//!
//! A pure view of recorded facts. Each [`Item`] is one witness, with its quality and age, and speaks for neutral, against it,
//! or not at all; old or unusable values are silent. All that can be concluded is whether the witnesses agree, contradict one
//! another, or are too few ([`Overall`]); and three must speak for neutral before they are said to agree on it: the reported
//! tap, the neutral indicator and the two voltages. None of it is a measurement at the equipment: [`CAUTION`] and [`VERIFY`]
//! go wherever a result is shown.

mod witness;

#[cfg(test)]
mod tests;

use crate::{Nameplate, Quality, Reading, Timestamp, audit};

/// What stands above any result.
pub const CAUTION: &str = "Evidence from records only. It is not a measurement at the equipment and permits nothing. A reported tap can be \
    wrong, an indicator can fail, and the tap can move at any time after the last reading. Verify at the equipment; follow the utility's \
    switching procedures, local codes and licensed practice.";

/// What is commonly verified at the equipment before a regulator is worked on (common practice, in general words; the
/// utility's procedure decides).
pub const VERIFY: &[&str] = &[
    "The position indicator on the equipment shows neutral.",
    "The neutral indicator or lamp is on, and is known to work.",
    "The control is in manual and the power to the tap-changer motor is off, so that the tap cannot move.",
    "The voltage between source and load bushing, measured by the method and with the equipment that the procedure names, is what neutral gives.",
    "All of these agree, on each regulator of the bank. Where one does not, or cannot be verified, the unit counts as not on neutral.",
    "The utility's switching procedures, local codes and licensed practice say what else must be done, by whom, and in which order.",
];

/// A witness.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum What {
    /// The tap that the control reports.
    ReportedTap,
    /// The neutral indicator.
    NeutralIndicator,
    /// Load and source voltage, as they are. Context.
    Voltages,
    /// Load voltage less source voltage.
    VoltageDifference,
    /// The tap audit.
    TapAudit,
    /// Operations counted since neutral was last passed. Context.
    SinceNeutral,
    /// Whether the control may tap: automatic, blocked, reversed. Context.
    ControlMode,
    /// Which way power flows. Context.
    PowerDirection,
}

impl What {
    /// The name shown to people.
    #[must_use]
    pub const fn title(self) -> &'static str {
        match self {
            Self::ReportedTap => "Reported tap",
            Self::NeutralIndicator => "Neutral indicator",
            Self::Voltages => "Load and source voltage",
            Self::VoltageDifference => "Load less source voltage",
            Self::TapAudit => "Tap audit",
            Self::SinceNeutral => "Operations since neutral",
            Self::ControlMode => "Control mode",
            Self::PowerDirection => "Power direction",
        }
    }

    /// Whether it is there to be known, and can speak neither for neutral nor against it.
    #[must_use]
    pub const fn is_context(self) -> bool {
        matches!(self, Self::Voltages | Self::SinceNeutral | Self::ControlMode | Self::PowerDirection)
    }
}

/// What a witness says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Says {
    /// It fits neutral.
    ForNeutral,
    /// It does not fit neutral.
    AgainstNeutral,
    /// Nothing either way.
    Silent,
}

/// One witness's word.
#[derive(Debug, Clone, PartialEq)]
pub struct Item {
    /// Which.
    pub what: What,
    /// What it says.
    pub says: Says,
    /// The numbers, one line.
    pub detail: String,
    /// Quality of what it rests on.
    pub quality: Quality,
    /// Age of what it rests on, seconds; nothing where there is none.
    pub age_s: Option<i64>,
}

/// The witnesses together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Overall {
    /// All that must speak do, and alike: for neutral or against it.
    Agreement(Says),
    /// Some speak for neutral and some against: these, all of them.
    Contradiction(Vec<What>),
    /// These would have to speak and do not.
    NotEnough(Vec<What>),
}

impl Overall {
    /// In words.
    #[must_use]
    pub fn words(&self) -> String {
        let names = |of: &[What]| of.iter().map(|w| w.title().to_lowercase()).collect::<Vec<_>>().join(", ");
        match self {
            Self::Agreement(Says::ForNeutral) => "The records agree with neutral.".to_owned(),
            Self::Agreement(_) => "The records agree that it is not on neutral.".to_owned(),
            Self::Contradiction(of) => format!("The records contradict one another: {}.", names(of)),
            Self::NotEnough(of) => format!("The records do not tell: nothing usable from {}.", names(of)),
        }
    }
}

/// What the evidence is gathered from.
#[derive(Debug, Clone, Copy)]
pub struct Records<'a> {
    /// The unit.
    pub nameplate: &'a Nameplate,
    /// Readings of the last days, oldest first.
    pub readings: &'a [Reading],
    /// Its tap audit and what that was judged by.
    pub audit: &'a audit::TapAudit,
    /// Likewise.
    pub limits: &'a audit::Limits,
    /// The instant for which ages are stated.
    pub now: Timestamp,
}

/// The evidence about one regulator.
#[derive(Debug, Clone, PartialEq)]
pub struct NeutralEvidence {
    /// Every witness, heard or not.
    pub items: Vec<Item>,
    /// The witnesses together.
    pub overall: Overall,
}

/// Those without whom nobody is said to agree on neutral.
const NEEDED: [What; 3] = [What::ReportedTap, What::NeutralIndicator, What::VoltageDifference];

impl NeutralEvidence {
    /// Gathers it. Nothing in here can fail: what is missing is silent.
    #[must_use]
    pub fn gather(records: &Records<'_>) -> Self {
        let items = vec![
            witness::reported_tap(records),
            witness::neutral_indicator(records),
            witness::voltages(records),
            witness::voltage_difference(records),
            witness::tap_audit(records),
            witness::since_neutral(records),
            witness::control_mode(records),
            witness::power_direction(records),
        ];
        let overall = overall(&items);
        Self { items, overall }
    }
}

fn overall(items: &[Item]) -> Overall {
    let those = |says: Says| items.iter().filter(move |i| i.says == says).map(|i| i.what);
    let (pro, contra) = (those(Says::ForNeutral).count(), those(Says::AgainstNeutral).count());
    if pro > 0 && contra > 0 {
        return Overall::Contradiction(
            items.iter().filter(|i| i.says != Says::Silent).map(|i| i.what).collect(),
        );
    }
    let missing: Vec<_> = those(Says::Silent).filter(|what| NEEDED.contains(what)).collect();
    // that it is off neutral may be believed of two; that it is on neutral, only of all
    if contra >= 2 {
        Overall::Agreement(Says::AgainstNeutral)
    } else if missing.is_empty() && contra == 0 {
        Overall::Agreement(Says::ForNeutral)
    } else {
        Overall::NotEnough(missing)
    }
}
