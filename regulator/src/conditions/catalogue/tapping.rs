//! Taps that go wrong: the wrong way, wrongly reported, or for nothing.

use super::{Condition, Entry, Priority, RespondWithin, Scope, parameter};

pub(super) const RUNAWAY: Entry = Entry {
    condition: Condition::Runaway,
    name: "runaway",
    title: "Runaway under reverse power",
    scope: Scope::Regulator,
    priority: Priority::Critical,
    respond_within: RespondWithin::minutes(10),
    suppressed_by: &[],
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
};

pub(super) const SLIPPED_TAP_REPORT: Entry = Entry {
    condition: Condition::SlippedTapReport,
    name: "slipped_tap_report",
    title: "Tap report slipped",
    scope: Scope::Regulator,
    priority: Priority::Medium,
    respond_within: RespondWithin::THIS_SHIFT,
    suppressed_by: &[],
    parameters: &[
        parameter("least_steps", "Steps off, at least", "", 1.0, (1.0, 16.0)),
        parameter("deadband_steps", "Explained again: inside the accuracy by", "steps", 0.3, (0.0, 2.0)),
        parameter("source_class_percent", "Accuracy of the source voltage", "%", 0.6, (0.1, 3.0)),
        parameter("load_class_percent", "Accuracy of the load voltage", "%", 0.6, (0.1, 3.0)),
    ],
    cause: "An operation was reported and not made, or made and not reported: a worn position \
        sensor or drive, a missed pulse, a position set wrongly after work. It stays so until the \
        control passes neutral and puts its position right. If it comes and goes with high taps, the winding type \
        on file is wrong.",
    consequence: "Records and screens show a wrong tap. Whoever relies on it to find neutral is misled, \
        and limits set in the control act at the wrong taps.",
    response: "Do not rely on the reported tap. See the evidence on the site page; have the position \
        indicator read at the next visit. Verify the position at the equipment, and follow the \
        utility's switching procedures, local codes and licensed practice.",
};

pub(super) const HUNTING: Entry = Entry {
    condition: Condition::Hunting,
    name: "hunting",
    title: "Hunting",
    scope: Scope::Regulator,
    priority: Priority::Medium,
    respond_within: RespondWithin::THIS_SHIFT,
    suppressed_by: &[],
    parameters: &[
        parameter("per_hour", "Undone operations in any hour", "", 4.0, (1.0, 1000.0)),
        parameter("per_day", "Undone operations in any 24 hours", "", 12.0, (1.0, 5000.0)),
        parameter("within_s", "Undone within", "s", 300.0, (10.0, 3600.0)),
        parameter("still_steps", "Source voltage the same to", "steps", 0.5, (0.1, 2.0)),
        parameter("return_delay_h", "Within both limits again for at least", "h", 6.0, (1.0, 168.0)),
    ],
    cause: "A bandwidth of less than two steps, so that one step leads past the other edge of the band; a \
        delay or time between taps so short that the control acts before it sees what it did; a \
        compensator set so high that each tap changes what it holds by too much.",
    consequence: "Each pair wears contacts and mechanism for nothing, day and night.",
    response: "Compare the bandwidth with the step: at least two steps, 1.5 V on 120 V, are usual. Look at the \
        trend for taps that alternate while the source voltage is flat. Have an engineer review \
        bandwidth, delay and compensator. If a neighbour upstream taps at the same times, review the order \
        of their delays.",
};

pub(super) const CLOUD_DRIVEN_TAPPING: Entry = Entry {
    condition: Condition::CloudDrivenTapping,
    name: "cloud_driven_tapping",
    title: "Cloud-driven tapping",
    scope: Scope::Regulator,
    priority: Priority::Low,
    respond_within: RespondWithin::THIS_WEEK,
    suppressed_by: &[],
    parameters: &[
        parameter("per_day", "Operations after ramps in 24 hours", "", 20.0, (1.0, 5000.0)),
        parameter("share_percent", "And at least this share of all", "%", 50.0, (1.0, 100.0)),
        // On a line that drops 10 % at rating this moves the voltage by 0.6 V, most of a step. In winter sun the clouds over the simulated
        // panels, a quarter of the unit's rating, often make less than 10 %.
        parameter(
            "ramp_percent",
            "A ramp is a change within 2 min by at least",
            "% of rating",
            5.0,
            (1.0, 100.0),
        ),
        parameter("follow_s", "An operation follows within", "s", 180.0, (10.0, 1800.0)),
        parameter("quiet_h", "Hours without ramps in the 24", "h", 6.0, (0.0, 20.0)),
        parameter("return_delay_h", "Within the limits again for at least", "h", 12.0, (1.0, 168.0)),
    ],
    cause: "Clouds over solar generation behind the regulator: power ramps both ways by day, and the taps \
        follow. A plant that loads and unloads by day looks the same in the readings.",
    consequence: "Contacts and mechanism wear out sooner; customers see the voltage move with every cloud until \
        the taps follow.",
    response: "No hurry. Look at the trend to see that the ramps are the sun's. A longer delay or wider band \
        avoids most of these operations where the voltage allows it: try it in a study first. Voltage \
        support by the inverters may do more. Watch the wear.",
};
