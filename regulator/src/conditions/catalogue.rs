//! The list of conditions: names, priorities, parameters, and what to tell people about each.

use serde::{Deserialize, Serialize};

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

/// A rule that can be true of a regulator, an endpoint or a poller.
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
}

/// Everything fixed about one condition.
struct Entry {
    condition: Condition,
    name: &'static str,
    title: &'static str,
    scope: Scope,
    priority: Priority,
    parameters: &'static [Parameter],
    cause: &'static str,
    consequence: &'static str,
    response: &'static str,
}

const fn parameter(
    name: &'static str,
    title: &'static str,
    unit: &'static str,
    default: f64,
    (min, max): (f64, f64),
) -> Parameter {
    Parameter { name, title, unit, default, min, max }
}

const TABLE: &[Entry] = &[
    Entry {
        condition: Condition::ExcessTapping,
        name: "excess_tapping",
        title: "Excess tapping",
        scope: Scope::Regulator,
        priority: Priority::Medium,
        parameters: &[
            parameter("per_hour", "Operations in any hour", "", 12.0, (1.0, 1000.0)),
            parameter("per_day", "Operations in any 24 hours", "", 60.0, (1.0, 5000.0)),
            parameter("baseline_factor", "Times its own 30-day mean", "", 3.0, (1.0, 100.0)),
            parameter("baseline_least", "Fewest operations in 24 hours for that", "", 30.0, (1.0, 5000.0)),
        ],
        cause: "",
        consequence: "",
        response: "",
    },
    Entry {
        condition: Condition::ReversePower,
        name: "reverse_power",
        title: "Reverse power",
        scope: Scope::Regulator,
        priority: Priority::High,
        parameters: &[
            parameter("threshold_percent", "Reverse power, of rated kVA", "%", 2.0, (0.1, 100.0)),
            parameter("delay_s", "For at least", "s", 120.0, (0.0, 86_400.0)),
            parameter("return_delay_s", "Forward again for at least", "s", 600.0, (0.0, 86_400.0)),
        ],
        cause: "",
        consequence: "",
        response: "",
    },
    Entry {
        condition: Condition::VoltageRangeA,
        name: "voltage_range_a",
        title: "Voltage outside range A",
        scope: Scope::Regulator,
        priority: Priority::Medium,
        parameters: &[
            parameter("low_v", "Lowest", "V", 114.0, (80.0, 125.0)),
            parameter("high_v", "Highest", "V", 126.0, (115.0, 150.0)),
            parameter("delay_s", "For at least", "s", 300.0, (0.0, 86_400.0)),
            parameter("deadband_v", "Inside again by", "V", 0.75, (0.0, 5.0)),
        ],
        cause: "",
        consequence: "",
        response: "",
    },
    Entry {
        condition: Condition::VoltageRangeB,
        name: "voltage_range_b",
        title: "Voltage outside range B",
        scope: Scope::Regulator,
        priority: Priority::High,
        parameters: &[
            parameter("low_v", "Lowest", "V", 110.0, (80.0, 125.0)),
            parameter("high_v", "Highest", "V", 127.0, (115.0, 150.0)),
            parameter("delay_s", "For at least", "s", 60.0, (0.0, 86_400.0)),
            parameter("deadband_v", "Inside again by", "V", 0.75, (0.0, 5.0)),
        ],
        cause: "",
        consequence: "",
        response: "",
    },
    Entry {
        condition: Condition::TapLimit,
        name: "tap_limit",
        title: "At tap limit, voltage out of band",
        scope: Scope::Regulator,
        priority: Priority::Medium,
        parameters: &[parameter("delay_s", "For at least", "s", 300.0, (0.0, 86_400.0))],
        cause: "",
        consequence: "",
        response: "",
    },
    Entry {
        condition: Condition::NotAutomatic,
        name: "not_automatic",
        title: "Not in automatic",
        scope: Scope::Regulator,
        priority: Priority::Low,
        parameters: &[parameter("delay_s", "For at least", "s", 900.0, (0.0, 604_800.0))],
        cause: "",
        consequence: "",
        response: "",
    },
    Entry {
        condition: Condition::ReadingsStale,
        name: "readings_stale",
        title: "Readings stale",
        scope: Scope::Regulator,
        priority: Priority::Medium,
        parameters: &[
            parameter("polls", "Poll intervals without a reading", "", 6.0, (2.0, 1000.0)),
            parameter("least_s", "And at least", "s", 120.0, (1.0, 86_400.0)),
        ],
        cause: "",
        consequence: "",
        response: "",
    },
    Entry {
        condition: Condition::EndpointSilent,
        name: "endpoint_silent",
        title: "Endpoint not answering",
        scope: Scope::Endpoint,
        priority: Priority::High,
        parameters: &[parameter("delay_s", "For at least", "s", 120.0, (1.0, 86_400.0))],
        cause: "",
        consequence: "",
        response: "",
    },
    Entry {
        condition: Condition::PollerSilent,
        name: "poller_silent",
        title: "Poller silent",
        scope: Scope::Poller,
        priority: Priority::Critical,
        parameters: &[parameter("delay_s", "For at least", "s", 60.0, (5.0, 86_400.0))],
        cause: "",
        consequence: "",
        response: "",
    },
];

impl Condition {
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
