//! Voltage, tapping and mode: what a desk meets every day.

use super::{Condition, Entry, Priority, RespondWithin, Scope, parameter};

pub(super) const EXCESS_TAPPING: Entry = Entry {
    condition: Condition::ExcessTapping,
    name: "excess_tapping",
    title: "Excess tapping",
    scope: Scope::Regulator,
    priority: Priority::Medium,
    respond_within: RespondWithin::THIS_SHIFT,
    suppressed_by: &[],
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
};

pub(super) const REVERSE_POWER: Entry = Entry {
    condition: Condition::ReversePower,
    name: "reverse_power",
    title: "Reverse power",
    scope: Scope::Regulator,
    priority: Priority::High,
    respond_within: RespondWithin::hours(1),
    suppressed_by: &[],
    parameters: &[
        parameter("threshold_percent", "Reverse power, of rated kVA", "%", 2.0, (0.1, 100.0)),
        parameter("deadband_percent", "Forward again: below that by, of it", "%", 50.0, (0.0, 100.0)),
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
};

pub(super) const VOLTAGE_RANGE_A: Entry = Entry {
    condition: Condition::VoltageRangeA,
    name: "voltage_range_a",
    title: "Voltage outside range A",
    scope: Scope::Regulator,
    priority: Priority::Medium,
    respond_within: RespondWithin::THIS_SHIFT,
    suppressed_by: &[],
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
};

pub(super) const VOLTAGE_RANGE_B: Entry = Entry {
    condition: Condition::VoltageRangeB,
    name: "voltage_range_b",
    title: "Voltage outside range B",
    scope: Scope::Regulator,
    priority: Priority::High,
    respond_within: RespondWithin::minutes(30),
    suppressed_by: &[],
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
};

pub(super) const TAP_LIMIT: Entry = Entry {
    condition: Condition::TapLimit,
    name: "tap_limit",
    title: "At tap limit, voltage out of band",
    scope: Scope::Regulator,
    priority: Priority::Medium,
    respond_within: RespondWithin::THIS_SHIFT,
    suppressed_by: &[],
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
};

pub(super) const NOT_AUTOMATIC: Entry = Entry {
    condition: Condition::NotAutomatic,
    name: "not_automatic",
    title: "Not in automatic",
    scope: Scope::Regulator,
    priority: Priority::Low,
    respond_within: RespondWithin::THIS_WEEK,
    suppressed_by: &[],
    parameters: &[parameter("delay_s", "For at least", "s", 900.0, (0.0, 604_800.0))],
    cause: "Someone has put the control in manual or local, for work or by oversight, or the control \
        has blocked itself.",
    consequence: "The tap stays where it is: voltage is not regulated, and nobody may know.",
    response: "Ask whether work is going on at the site. If not, arrange for the control to be put \
        back. Never assume from this record that a control is safe to work on: verify at the \
        equipment, and follow the utility's switching procedures, local codes and licensed \
        practice.",
};

pub(super) const HARMONIC_DISTORTION: Entry = Entry {
    condition: Condition::HarmonicDistortion,
    name: "harmonic_distortion",
    title: "Harmonic distortion",
    scope: Scope::Regulator,
    priority: Priority::Low,
    respond_within: RespondWithin::THIS_WEEK,
    suppressed_by: &[],
    parameters: &[
        parameter(
            "voltage_percent",
            "Distortion of voltage, more than (0: by IEEE 519 for the voltage)",
            "%",
            0.0,
            (0.0, 100.0),
        ),
        parameter(
            "short_circuit_ratio",
            "Short-circuit over demand current, for the limit of current by IEEE 519 (0: current is not judged)",
            "",
            0.0,
            (0.0, 100_000.0),
        ),
        parameter("demand_a", "Demand current (0: the rated current)", "A", 0.0, (0.0, 100_000.0)),
        parameter("deadband_percent", "Within it again by at least", "%", 0.5, (0.0, 10.0)),
        parameter("delay_s", "For at least", "s", 3600.0, (0.0, 604_800.0)),
        parameter("return_delay_s", "Within it again for at least", "s", 3600.0, (0.0, 604_800.0)),
    ],
    cause: "Converters behind the regulator without enough filters (drives, chargers, inverters), or a resonance of \
        capacitors with the line.",
    consequence: "Transformers, motors and capacitors run hotter, and meters and controls may misread; the control may tap by \
        a voltage that is not the fundamental's.",
    response: "A reason to measure, not a verdict: IEEE 519 judges percentiles over days at the customer's point of common \
        coupling. Compare with the neighbours on the feeder and with the hours of large customers; have power quality \
        measured there.",
};
