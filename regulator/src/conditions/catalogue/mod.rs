//! The list of conditions: names, priorities, parameters, and what to tell people about each.

use chrono::TimeDelta;
use serde::{Deserialize, Serialize};

mod areas_and_parts;
mod equipment;
mod everyday;
mod respond;
mod settings_and_banks;
mod silence;
mod sources;
mod tapping;

pub use respond::RespondWithin;
pub use silence::Silence;

/// How urgent an alarm is. The numbers are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
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

impl Priority {
    /// Every priority, lowest first.
    pub const ALL: &'static [Self] = &[Self::Low, Self::Medium, Self::High, Self::Critical];

    /// The stored number.
    #[must_use]
    pub const fn level(self) -> i16 {
        self as i16
    }

    /// The priority stored as `level`.
    #[must_use]
    pub fn from_level(level: i16) -> Option<Self> {
        Self::ALL.iter().copied().find(|p| p.level() == level)
    }

    /// The word shown to people.
    #[must_use]
    pub const fn title(self) -> &'static str {
        match self {
            Self::Low => "low",
            Self::Medium => "medium",
            Self::High => "high",
            Self::Critical => "critical",
        }
    }
}

/// One number that a condition is judged by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Parameter {
    /// Name in tables and forms, unique within the condition.
    pub name: &'static str,
    /// Name shown to people.
    pub title: &'static str,
    /// Unit symbol, or empty.
    pub unit: &'static str,
    /// The value where nobody has set another.
    pub default: f64,
    /// Lowest value accepted.
    pub min: f64,
    /// Highest value accepted.
    pub max: f64,
}

/// A rule that can be true of a regulator, a bank, an endpoint, a poller, a substation or a part of Tapkeeper.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Condition {
    /// More operations an hour or a day than the limits, or than the unit's own baseline.
    ExcessTapping,
    /// Power flows from load to source.
    ReversePower,
    /// Load voltage outside ANSI C84.1 range A.
    VoltageRangeA,
    /// Load voltage outside ANSI C84.1 range B.
    VoltageRangeB,
    /// The tap is at its limit and the voltage still out of band.
    TapLimit,
    /// The control is not in automatic.
    NotAutomatic,
    /// The endpoint answers, but this regulator's readings do not come.
    ReadingsStale,
    /// The endpoint does not answer.
    EndpointSilent,
    /// A poller has written nothing, not even a sign of life.
    PollerSilent,
    /// A setting of the control differs from what it was for long.
    SettingsChanged,
    /// A setting of the control differs from the standard stated for it.
    OffStandard,
    /// The control has been blocked or not in automatic for a day or so.
    BlockedOrManualTooLong,
    /// The taps of a bank's regulators are far apart, or apart at all in a bank that moves together.
    TapSpread,
    /// The three voltages of a bank are unbalanced.
    VoltageUnbalance,
    /// Power is reversed and the control taps the wrong way, unanswered.
    Runaway,
    /// The reported tap is not the one that the voltages imply.
    SlippedTapReport,
    /// Operations undo each other while the supply stands still.
    Hunting,
    /// Operations follow ramps of power, as clouds over solar make them.
    CloudDrivenTapping,
    /// No tap where one is called for, or a travel that does not end.
    MechanismSuspect,
    /// Contacts or reversing switch have not moved for too long.
    ExerciseDue,
    /// A contact's estimated life is nearly used up.
    WearLimit,
    /// Current above the rating for the permitted tap range.
    Overload,
    /// The operation counter cannot be believed.
    CounterAnomaly,
    /// Many endpoints of one substation do not answer.
    SubstationSilent,
    /// Most endpoints that one poller polls do not answer.
    PollerCutOff,
    /// Detection takes no more batches although they wait.
    DetectionStopped,
    /// Messages wait and none is delivered.
    DeliveryStopped,
    /// Messages were given up.
    MessagesUndelivered,
    /// Harmonic distortion beyond IEEE 519.
    HarmonicDistortion,
}

/// What a condition is judged of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Scope {
    /// One regulator.
    Regulator,
    /// One endpoint.
    Endpoint,
    /// One poller process.
    Poller,
    /// The regulators of one bank together.
    Bank,
    /// The endpoints of one substation together.
    Substation,
    /// One part of Tapkeeper itself.
    Part,
}

/// Everything fixed about one condition.
pub(super) struct Entry {
    pub(super) condition: Condition,
    pub(super) name: &'static str,
    pub(super) title: &'static str,
    pub(super) scope: Scope,
    pub(super) priority: Priority,
    pub(super) respond_within: RespondWithin,
    pub(super) suppressed_by: &'static [Silence],
    pub(super) parameters: &'static [Parameter],
    pub(super) cause: &'static str,
    pub(super) consequence: &'static str,
    pub(super) response: &'static str,
}

pub(super) const fn parameter(
    name: &'static str,
    title: &'static str,
    unit: &'static str,
    default: f64,
    (min, max): (f64, f64),
) -> Parameter {
    Parameter { name, title, unit, default, min, max }
}

const TABLE: &[Entry] = &[
    everyday::EXCESS_TAPPING,
    everyday::REVERSE_POWER,
    everyday::VOLTAGE_RANGE_A,
    everyday::VOLTAGE_RANGE_B,
    everyday::TAP_LIMIT,
    everyday::NOT_AUTOMATIC,
    sources::READINGS_STALE,
    sources::ENDPOINT_SILENT,
    sources::POLLER_SILENT,
    settings_and_banks::SETTINGS_CHANGED,
    settings_and_banks::OFF_STANDARD,
    settings_and_banks::BLOCKED_OR_MANUAL_TOO_LONG,
    settings_and_banks::TAP_SPREAD,
    settings_and_banks::VOLTAGE_UNBALANCE,
    tapping::RUNAWAY,
    tapping::SLIPPED_TAP_REPORT,
    tapping::HUNTING,
    tapping::CLOUD_DRIVEN_TAPPING,
    equipment::MECHANISM_SUSPECT,
    equipment::EXERCISE_DUE,
    equipment::WEAR_LIMIT,
    equipment::OVERLOAD,
    equipment::COUNTER_ANOMALY,
    areas_and_parts::SUBSTATION_SILENT,
    areas_and_parts::POLLER_CUT_OFF,
    areas_and_parts::DETECTION_STOPPED,
    areas_and_parts::DELIVERY_STOPPED,
    areas_and_parts::MESSAGES_UNDELIVERED,
    everyday::HARMONIC_DISTORTION,
];

impl Condition {
    /// Whether what an alarm of it suggests could lead someone to touch equipment; what is said of it then comes with cautions.
    #[must_use]
    pub const fn touches_equipment(self) -> bool {
        !matches!(
            self,
            Self::ExcessTapping
                | Self::VoltageRangeA
                | Self::VoltageRangeB
                | Self::ReadingsStale
                | Self::EndpointSilent
                | Self::PollerSilent
                | Self::Hunting
                | Self::CloudDrivenTapping
                | Self::SubstationSilent
                | Self::PollerCutOff
                | Self::DetectionStopped
                | Self::DeliveryStopped
                | Self::MessagesUndelivered
                | Self::HarmonicDistortion
        )
    }

    /// Every condition, in the order shown to people.
    #[must_use]
    pub fn all() -> impl ExactSizeIterator<Item = Self> {
        TABLE.iter().map(|e| e.condition)
    }

    fn entry(self) -> &'static Entry {
        TABLE.iter().find(|e| e.condition == self).expect("a test walks every condition through the table")
    }

    /// The condition of this name, if there is one.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        TABLE.iter().find(|e| e.name == name).map(|e| e.condition)
    }

    /// Name in tables, forms and messages.
    #[must_use]
    pub fn name(self) -> &'static str {
        self.entry().name
    }

    /// Name shown to people.
    #[must_use]
    pub fn title(self) -> &'static str {
        self.entry().title
    }

    /// What it is judged of.
    #[must_use]
    pub fn scope(self) -> Scope {
        self.entry().scope
    }

    /// How urgent its alarms are.
    #[must_use]
    pub fn priority(self) -> Priority {
        self.entry().priority
    }

    /// In what time the desk should respond to one of its alarms, counted from when it is told.
    #[must_use]
    pub fn respond_within(self) -> TimeDelta {
        self.entry().respond_within.span()
    }

    /// The same in words: "within 15 minutes", "this shift", "within a week".
    #[must_use]
    pub fn respond_within_words(self) -> String {
        self.entry().respond_within.words()
    }

    /// The wider silences that hide its alarms by design while they stand, most often none: see [`Silence`].
    #[must_use]
    pub fn suppressed_by(self) -> &'static [Silence] {
        self.entry().suppressed_by
    }

    /// The numbers it is judged by.
    #[must_use]
    pub fn parameters(self) -> &'static [Parameter] {
        self.entry().parameters
    }

    /// One of them by name.
    #[must_use]
    pub fn parameter(self, name: &str) -> Option<&'static Parameter> {
        self.parameters().iter().find(|p| p.name == name)
    }

    /// What usually brings it about.
    #[must_use]
    pub fn cause(self) -> &'static str {
        self.entry().cause
    }

    /// What follows if nobody acts.
    #[must_use]
    pub fn consequence(self) -> &'static str {
        self.entry().consequence
    }

    /// What to do.
    #[must_use]
    pub fn response(self) -> &'static str {
        self.entry().response
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    /// Fails to compile when a condition is added and not listed here; the test then fails until it is in the table.
    const fn listed(condition: Condition) -> Condition {
        match condition {
            Condition::ExcessTapping
            | Condition::ReversePower
            | Condition::VoltageRangeA
            | Condition::VoltageRangeB
            | Condition::TapLimit
            | Condition::NotAutomatic
            | Condition::ReadingsStale
            | Condition::EndpointSilent
            | Condition::PollerSilent
            | Condition::SettingsChanged
            | Condition::OffStandard
            | Condition::BlockedOrManualTooLong
            | Condition::TapSpread
            | Condition::VoltageUnbalance
            | Condition::Runaway
            | Condition::SlippedTapReport
            | Condition::Hunting
            | Condition::CloudDrivenTapping
            | Condition::MechanismSuspect
            | Condition::ExerciseDue
            | Condition::WearLimit
            | Condition::Overload
            | Condition::CounterAnomaly
            | Condition::SubstationSilent
            | Condition::PollerCutOff
            | Condition::DetectionStopped
            | Condition::DeliveryStopped
            | Condition::MessagesUndelivered
            | Condition::HarmonicDistortion => condition,
        }
    }
    const ALL: [Condition; 29] = [
        Condition::ExcessTapping,
        Condition::ReversePower,
        Condition::VoltageRangeA,
        Condition::VoltageRangeB,
        Condition::TapLimit,
        Condition::NotAutomatic,
        Condition::ReadingsStale,
        Condition::EndpointSilent,
        Condition::PollerSilent,
        Condition::SettingsChanged,
        Condition::OffStandard,
        Condition::BlockedOrManualTooLong,
        Condition::TapSpread,
        Condition::VoltageUnbalance,
        Condition::Runaway,
        Condition::SlippedTapReport,
        Condition::Hunting,
        Condition::CloudDrivenTapping,
        Condition::MechanismSuspect,
        Condition::ExerciseDue,
        Condition::WearLimit,
        Condition::Overload,
        Condition::CounterAnomaly,
        Condition::SubstationSilent,
        Condition::PollerCutOff,
        Condition::DetectionStopped,
        Condition::DeliveryStopped,
        Condition::MessagesUndelivered,
        Condition::HarmonicDistortion,
    ];

    #[test]
    fn every_condition_is_in_the_table_once_and_complete() {
        assert_eq!(ALL.map(listed).into_iter().collect::<BTreeSet<_>>(), Condition::all().collect());
        assert_eq!(Condition::all().len(), ALL.len());
        for condition in ALL {
            assert_eq!(Condition::from_name(condition.name()), Some(condition));
            for text in [condition.title(), condition.cause(), condition.consequence(), condition.response()]
            {
                assert!(!text.is_empty(), "{condition:?}");
                assert!(!text.contains("  "), "{text}");
            }
            assert!(!condition.parameters().is_empty());
            let names: BTreeSet<_> = condition.parameters().iter().map(|p| p.name).collect();
            assert_eq!(names.len(), condition.parameters().len(), "{condition:?}");
            for p in condition.parameters() {
                assert!(p.min <= p.default && p.default <= p.max, "{condition:?} {}", p.name);
                assert!(!p.title.is_empty());
            }
        }
    }

    #[test]
    fn stored_names_are_those_of_the_serialized_form() {
        for condition in ALL {
            assert_eq!(serde_json::to_value(condition).unwrap(), condition.name());
        }
    }

    #[test]
    fn what_can_lead_to_touching_equipment_says_to_verify_there() {
        let touching = [
            Condition::ReversePower,
            Condition::VoltageRangeB,
            Condition::TapLimit,
            Condition::NotAutomatic,
            Condition::BlockedOrManualTooLong,
            Condition::TapSpread,
            Condition::VoltageUnbalance,
            Condition::SettingsChanged,
            Condition::OffStandard,
            Condition::Runaway,
            Condition::SlippedTapReport,
            Condition::MechanismSuspect,
            Condition::ExerciseDue,
            Condition::WearLimit,
            Condition::CounterAnomaly,
        ];
        for condition in touching {
            let response = condition.response();
            assert!(response.contains("at the equipment"), "{condition:?}");
            assert!(
                response.contains("the utility's switching procedures, local codes and licensed practice"),
                "{condition:?}"
            );
        }
    }
}
