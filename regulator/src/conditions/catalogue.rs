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
    /// Power is reversed and the control taps the wrong way, unanswered.
    Runaway,
    /// The reported tap is not the one that the voltages imply.
    SlippedTapReport,
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
            parameter("return_delay_h", "Within all limits again for at least", "h", 12.0, (1.0, 168.0)),
        ],
        cause: "Fast changes of load or of generation behind the regulator, clouds over solar above all; \
            a bandwidth or delay set too small; two regulators in series that answer each other; a \
            supply voltage that swings.",
        consequence: "Contacts and mechanism wear out years before their time, and a unit fails in service.",
        response: "Look at the trend: taps that follow power point to clouds or load, taps that undo each \
            other within minutes to bandwidth and delay, taps just after an upstream unit's to their \
            order of delays. Compare with the neighbours on the feeder. Have an engineer review \
            bandwidth and delay; plan an inspection of the contacts.",
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
        cause: "Generation behind the regulator exceeds the load, or the feeder has been switched so \
            that it is fed from the other side.",
        consequence: "A control that is not set for reverse flow may tap the wrong way until it reaches a \
            limit, and leave customers far outside the permitted voltage.",
        response: "Find out whether the feeder has been switched. Check that the control's reverse-flow \
            setting fits, and watch tap and both voltages for a tap that runs one way. The readings \
            alone do not prove the direction of supply: verify at the equipment, and follow the \
            utility's switching procedures, local codes and licensed practice.",
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
            parameter("return_delay_s", "Inside again for at least", "s", 120.0, (0.0, 86_400.0)),
        ],
        cause: "Load or generation beyond what the regulator can follow, a set voltage or compensator \
            that does not fit, a tap at its limit, a control not in automatic, or a supply voltage \
            that is itself out.",
        consequence: "Service voltage leaves the range that ANSI C84.1 sets for normal operation; equipment at \
            customers runs hot, dim or short-lived.",
        response: "Look at tap, band and source voltage on the site page: at the limit, not in automatic or \
            not tapping each points to its own remedy. Tell the engineer of the feeder if it recurs.",
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
            parameter("return_delay_s", "Inside again for at least", "s", 120.0, (0.0, 86_400.0)),
        ],
        cause: "As for range A, further gone; often a tap at its limit, a control not in automatic, \
            runaway under reverse power, or a faulty voltage measurement.",
        consequence: "Service voltage is beyond what ANSI C84.1 tolerates even for short times. Equipment at \
            customers may be damaged.",
        response: "Act promptly. Compare with the other phases and the neighbouring sites to tell a wrong \
            measurement from a wrong voltage. If the unit does not correct it, send a crew: verify \
            at the equipment, and follow the utility's switching procedures, local codes and \
            licensed practice.",
    },
    Entry {
        condition: Condition::TapLimit,
        name: "tap_limit",
        title: "At tap limit, voltage out of band",
        scope: Scope::Regulator,
        priority: Priority::Medium,
        parameters: &[
            parameter("delay_s", "For at least", "s", 300.0, (0.0, 86_400.0)),
            parameter("deadband_v", "Back in band by", "V", 0.5, (0.0, 5.0)),
            parameter(
                "return_delay_s",
                "Back in band or off the limit for at least",
                "s",
                3600.0,
                (0.0, 86_400.0),
            ),
        ],
        cause: "The supply is too low or too high for the regulator's range, the range has been reduced \
            on purpose, or the unit taps without effect.",
        consequence: "The unit can do no more: the voltage stays out of band and follows the supply.",
        response: "Check whether the tap range is reduced, and what the source voltage does. A tap that \
            does not agree with the two voltages may be reported wrongly: verify the position at the \
            equipment, and follow the utility's switching procedures, local codes and licensed \
            practice. Look upstream for the cause (bus voltage, another regulator, capacitors).",
    },
    Entry {
        condition: Condition::NotAutomatic,
        name: "not_automatic",
        title: "Not in automatic",
        scope: Scope::Regulator,
        priority: Priority::Low,
        parameters: &[parameter("delay_s", "For at least", "s", 900.0, (0.0, 604_800.0))],
        cause: "Someone has put the control in manual or local, for work or by oversight, or the control \
            has blocked itself.",
        consequence: "The tap stays where it is: voltage is not regulated, and nobody may know.",
        response: "Ask whether work is going on at the site. If not, arrange for the control to be put \
            back. Never assume from this record that a control is safe to work on: verify at the \
            equipment, and follow the utility's switching procedures, local codes and licensed \
            practice.",
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
        cause: "The control behind the endpoint is off, its unit address or profile is wrong, its \
            answers are refused, or the clock that stamps the readings is wrong.",
        consequence: "This regulator is not watched: none of its other conditions can be raised.",
        response: "See the page Polling for the error of this unit; read it with the probe command. If its \
            neighbours behind the same endpoint answer, the fault is at the control.",
    },
    Entry {
        condition: Condition::EndpointSilent,
        name: "endpoint_silent",
        title: "Endpoint not answering",
        scope: Scope::Endpoint,
        priority: Priority::High,
        parameters: &[parameter("delay_s", "For at least", "s", 120.0, (1.0, 86_400.0))],
        cause: "The link, the modem or gateway, or the supply at the site has failed; or the address is \
            wrong.",
        consequence: "None of the regulators behind it is watched.",
        response: "See the page Polling for the kind of error and whether neighbours on the same link fail \
            too; check whether the site has lost supply; call whoever runs the communications.",
    },
    Entry {
        condition: Condition::PollerSilent,
        name: "poller_silent",
        title: "Poller silent",
        scope: Scope::Poller,
        priority: Priority::Critical,
        parameters: &[parameter("delay_s", "For at least", "s", 60.0, (5.0, 86_400.0))],
        cause: "The poller process has stopped, has lost the database, or its machine is down.",
        consequence: "Nothing that it polls is watched, and silence on the board means nothing until it is \
            back.",
        response: "Look at the poller's machine and log and start it again. Until then read what matters at \
            the site or by other means.",
    },
    Entry {
        condition: Condition::Runaway,
        name: "runaway",
        title: "Runaway under reverse power",
        scope: Scope::Regulator,
        priority: Priority::Critical,
        parameters: &[
            parameter("threshold_percent", "Reverse power, of rated kVA", "%", 2.0, (0.1, 100.0)),
            parameter("least_operations", "Unanswered operations one way", "", 2.0, (2.0, 32.0)),
            parameter("response_share", "Share of a step on the load side, at most", "", 0.3, (0.0, 0.6)),
            parameter("return_delay_s", "Forward again for at least", "s", 600.0, (0.0, 86_400.0)),
        ],
        cause: "The feeder has been switched so that it is fed from the load side, or generation holds \
            that side, and the control still regulates the load side as if power flowed forward.",
        consequence: "The tap runs to its limit without reaching the set voltage, and the source side is \
            moved by the whole range, up to 10 %. Customers on that side are far outside the permitted \
            voltage within minutes.",
        response: "Act now. Find out how the feeder is fed. Whoever may operate the control decides whether to \
            stop it from tapping or to change its reverse-flow setting; this program operates nothing. The \
            readings do not prove the direction of supply: verify at the equipment, and follow the \
            utility's switching procedures, local codes and licensed practice.",
    },
    Entry {
        condition: Condition::SlippedTapReport,
        name: "slipped_tap_report",
        title: "Tap report slipped",
        scope: Scope::Regulator,
        priority: Priority::Medium,
        parameters: &[
            parameter("least_steps", "Steps off, at least", "", 1.0, (1.0, 16.0)),
            parameter("source_class_percent", "Accuracy of the source voltage", "%", 0.6, (0.1, 3.0)),
            parameter("load_class_percent", "Accuracy of the load voltage", "%", 0.6, (0.1, 3.0)),
        ],
        cause: "An operation was reported and not made, or made and not reported: a worn position \
            sensor or drive, a missed pulse, a position set wrongly after work. It stays so until the \
            control passes neutral and puts its position right. If it comes and goes with high taps, \
            the winding type on file is wrong.",
        consequence: "Records and screens show a wrong tap. Whoever relies on it to find neutral is misled, \
            and limits set in the control act at the wrong taps.",
        response: "Do not rely on the reported tap. See the evidence on the site page; have the position \
            indicator read at the next visit. Verify the position at the equipment, and follow the \
            utility's switching procedures, local codes and licensed practice.",
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
            | Condition::Runaway
            | Condition::SlippedTapReport => condition,
        }
    }
    const ALL: [Condition; 11] = [
        Condition::ExcessTapping,
        Condition::ReversePower,
        Condition::VoltageRangeA,
        Condition::VoltageRangeB,
        Condition::TapLimit,
        Condition::NotAutomatic,
        Condition::ReadingsStale,
        Condition::EndpointSilent,
        Condition::PollerSilent,
        Condition::Runaway,
        Condition::SlippedTapReport,
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
            Condition::Runaway,
            Condition::SlippedTapReport,
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
