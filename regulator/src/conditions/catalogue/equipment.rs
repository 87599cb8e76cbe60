//! The condition of the unit itself.

use super::{Condition, Entry, Priority, RespondWithin, Scope, parameter};

pub(super) const MECHANISM_SUSPECT: Entry = Entry {
    condition: Condition::MechanismSuspect,
    name: "mechanism_suspect",
    title: "Mechanism suspect",
    scope: Scope::Regulator,
    priority: Priority::High,
    respond_within: RespondWithin::hours(1),
    suppressed_by: &[],
    parameters: &[
        parameter("margin_v", "Out of band by more than", "V", 0.75, (0.0, 10.0)),
        parameter("compensator_v", "Granted to a compensator that is not known", "V", 6.0, (0.0, 24.0)),
        parameter("delay_factor", "Times the control's own delay", "", 3.0, (1.0, 50.0)),
        parameter("least_s", "And for at least", "s", 600.0, (10.0, 86_400.0)),
        parameter("travel_s", "Tap in progress for at least", "s", 120.0, (5.0, 3600.0)),
    ],
    cause: "A motor, its capacitor or its supply has failed, a drive slips or sticks, a limit or holding \
        switch is out of adjustment, the tap report stands still; or the control holds for a \
        reason that it does not report (voltage reduction, a master, a block, a tap range smaller \
        than the nameplate here says).",
    consequence: "The voltage is not regulated. A mechanism that stops between two taps may burn its \
        contacts, and the tap may not be where it is reported to be.",
    response: "Compare the reported tap with what the two voltages imply, and ask whether voltage \
        reduction or work is going on. If not, send a crew, and do not take the reported tap or \
        neutral for true: verify at the equipment, and follow the utility's switching procedures, \
        local codes and licensed practice.",
};

pub(super) const EXERCISE_DUE: Entry = Entry {
    condition: Condition::ExerciseDue,
    name: "exercise_due",
    title: "Exercise due",
    scope: Scope::Regulator,
    priority: Priority::Low,
    respond_within: RespondWithin::THIS_WEEK,
    suppressed_by: &[],
    parameters: &[
        parameter("tap_days", "Days on one tap", "d", 60.0, (1.0, 3650.0)),
        parameter("side_days", "Days on one side of neutral", "d", 365.0, (1.0, 3650.0)),
    ],
    cause: "Steady load and supply, a wide band, a control not in automatic, or a unit that always \
        has to raise, or always to lower.",
    consequence: "Films and hard carbon grow on contacts that stay put; their resistance rises, they heat, \
        and the reversing switch may fail when it is needed.",
    response: "Plan an exercise when the utility's practice asks for one: over several taps, or through \
        neutral, while the voltage permits. A planner's list, not an order: operate only from \
        the equipment or the usual control system, verify at the equipment, and follow the utility's \
        switching procedures, local codes and licensed practice.",
};

pub(super) const WEAR_LIMIT: Entry = Entry {
    condition: Condition::WearLimit,
    name: "wear_limit",
    title: "Contact wear",
    scope: Scope::Regulator,
    priority: Priority::Medium,
    respond_within: RespondWithin::THIS_SHIFT,
    suppressed_by: &[],
    parameters: &[
        parameter("share_percent", "Estimated life used, worst part", "%", 80.0, (1.0, 1000.0)),
        parameter("ahead_days", "Or end expected within", "d", 365.0, (0.0, 3650.0)),
        parameter("deadband_percent", "No concern again: end farther off by", "%", 25.0, (0.0, 1000.0)),
        parameter(
            "life_operations",
            "Breaks at rated current in one life",
            "",
            50_000.0,
            (100.0, 10_000_000.0),
        ),
        parameter("exponent", "Exponent of the current", "", 1.6, (1.0, 2.0)),
        parameter(
            "assumed_current_percent",
            "Current where none is known, of rated",
            "%",
            50.0,
            (0.0, 200.0),
        ),
        parameter("counter_when_new", "Counter when the contacts were new", "", 0.0, (0.0, 4_294_967_295.0)),
        parameter("rate_days", "Rate taken over about", "d", 30.0, (1.0, 365.0)),
        parameter("least_days", "Days covered before a forecast", "d", 30.0, (1.0, 365.0)),
    ],
    cause: "Many operations, high current at them, or years of both. An estimate: the exponent, the life \
        and everything before the first reading are assumptions.",
    consequence: "Worn contacts no longer close properly, arc longer and foul the oil, up to a failure in \
        service.",
    response: "Rank the unit for inspection; oil tests and contact measurements tell what an estimate \
        cannot. Look at the causes of its operations first. Enter the counter after contacts were \
        replaced. Inspect only as licensed practice has it: verify at the equipment, and follow \
        the utility's switching procedures, local codes and licensed practice.",
};

pub(super) const OVERLOAD: Entry = Entry {
    condition: Condition::Overload,
    name: "overload",
    title: "Overload",
    scope: Scope::Regulator,
    priority: Priority::Medium,
    respond_within: RespondWithin::THIS_SHIFT,
    suppressed_by: &[],
    parameters: &[
        parameter("over_percent", "Above the current permitted by", "%", 5.0, (0.0, 100.0)),
        parameter("delay_s", "For at least", "s", 1800.0, (0.0, 86_400.0)),
        parameter("return_delay_s", "At or below it again for at least", "s", 1800.0, (0.0, 86_400.0)),
    ],
    cause: "Load growth, load taken over from another feeder, pickup after an outage, generation that \
        has dropped out; or a nameplate or current ratio entered wrongly.",
    consequence: "Windings and contacts run hot; insulation ages and contacts wear faster.",
    response: "Check the nameplate and whether load has been switched over. A tap range limited as the \
        standard provides permits more current; whether it may be limited is the engineer's \
        decision. Plan relief if it recurs.",
};

pub(super) const COUNTER_ANOMALY: Entry = Entry {
    condition: Condition::CounterAnomaly,
    name: "counter_anomaly",
    title: "Operation counter not plausible",
    scope: Scope::Regulator,
    priority: Priority::Low,
    respond_within: RespondWithin::THIS_WEEK,
    suppressed_by: &[],
    parameters: &[
        parameter("disagreements", "Disagreements with the tap in a row", "", 3.0, (1.0, 100.0)),
        parameter("settle_s", "Compared when both are at rest for", "s", 60.0, (1.0, 3600.0)),
        parameter("return_delay_h", "Consistent again for at least", "h", 24.0, (0.0, 720.0)),
    ],
    cause: "The control was replaced or has restarted, its counter was set by hand, the profile maps \
        the wrong point or the wrong rollover; or the counter switch or the position sensing \
        fails.",
    consequence: "Operations are counted wrongly or not at all; wear, excess tapping and the neutral \
        evidence rest on them.",
    response: "Ask whether the control was replaced, and enter its rollover. If tap and counter go on \
        disagreeing, do not rely on the reported tap: verify at the equipment, and follow the \
        utility's switching procedures, local codes and licensed practice.",
};
