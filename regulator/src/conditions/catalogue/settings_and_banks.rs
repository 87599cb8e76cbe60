//! Entries of the catalogue: conditions of banks, and of a control's settings and mode.

use super::{Condition, Entry, Priority, RespondWithin, Scope, parameter};

/// See `settings_changed`.
pub(super) const SETTINGS_CHANGED: Entry = Entry {
    condition: Condition::SettingsChanged,
    name: "settings_changed",
    title: "Settings changed",
    scope: Scope::Regulator,
    priority: Priority::Low,
    respond_within: RespondWithin::THIS_WEEK,
    suppressed_by: &[],
    parameters: &[
        parameter("settled_h", "Counts as the old setting after", "h", 24.0, (0.1, 720.0)),
        parameter("delay_s", "The new one stands for at least", "s", 900.0, (0.0, 604_800.0)),
        parameter("accept_h", "Counts as accepted after", "h", 72.0, (0.1, 2160.0)),
        parameter("mode", "The mode counts as a setting (1 yes, 0 no)", "", 0.0, (0.0, 1.0)),
    ],
    cause: "Somebody has set the control anew, on purpose or by mistake; a control was replaced and carries its \
        factory settings; a second group of settings has come into force (for voltage reduction, or for \
        reverse flow).",
    consequence: "The voltage is held elsewhere than planned, or the order of delays on the feeder is lost, and \
        nobody who plans with the old settings knows.",
    response: "Compare old and new below. Find the order for the change, or who made it; correct the records, or \
        have the setting put back. The alarm ends by itself once the new setting has stood for long, so note \
        what you found. Whoever sets a control verifies at the equipment, and follows the utility's switching \
        procedures, local codes and licensed practice.",
};

/// See `off_standard`.
pub(super) const OFF_STANDARD: Entry = Entry {
    condition: Condition::OffStandard,
    name: "off_standard",
    title: "Settings off the standard",
    scope: Scope::Regulator,
    priority: Priority::Low,
    respond_within: RespondWithin::THIS_WEEK,
    suppressed_by: &[],
    parameters: &[
        parameter("standard_set_voltage_v", "Standard set voltage (0: none)", "V", 0.0, (0.0, 150.0)),
        parameter("standard_bandwidth_v", "Standard bandwidth (0: none)", "V", 0.0, (0.0, 20.0)),
        parameter("standard_delay_s", "Standard delay (0: none)", "s", 0.0, (0.0, 3600.0)),
        parameter("judge_compensator", "The compensator has a standard (1 yes, 0 no)", "", 0.0, (0.0, 1.0)),
        parameter("standard_ldc_r_v", "Standard compensator R, where it has one", "V", 0.0, (-25.0, 25.0)),
        parameter("standard_ldc_x_v", "Standard compensator X, where it has one", "V", 0.0, (-25.0, 25.0)),
        parameter("tolerance_v", "Voltages right within", "V", 0.2, (0.0, 10.0)),
        parameter("tolerance_s", "Delay right within", "s", 2.0, (0.0, 600.0)),
        parameter("delay_s", "For at least", "s", 3600.0, (0.0, 604_800.0)),
    ],
    cause: "A control set by hand for a past need and never set back, a replaced control with factory settings, a \
        standard that was changed and not carried out everywhere, or a threshold on this page set for the wrong \
        place.",
    consequence: "The feeder's voltage profile and the order of its delays are not as the engineer planned them.",
    response: "Compare the settings below with the feeder's setting sheet. Have an engineer decide whether the \
        control or the standard is to be changed. Whoever sets a control verifies at the equipment, and follows \
        the utility's switching procedures, local codes and licensed practice.",
};

/// See `blocked_or_manual_too_long`.
pub(super) const BLOCKED_OR_MANUAL_TOO_LONG: Entry = Entry {
    condition: Condition::BlockedOrManualTooLong,
    name: "blocked_or_manual_too_long",
    title: "Blocked or in manual too long",
    scope: Scope::Regulator,
    priority: Priority::Medium,
    respond_within: RespondWithin::THIS_SHIFT,
    suppressed_by: &[],
    parameters: &[parameter("delay_h", "For at least", "h", 24.0, (0.5, 720.0))],
    cause: "A control left in manual after work, tapping blocked and forgotten, or a control that blocked itself over \
        a fault of its own.",
    consequence: "The voltage has not been regulated for a day or more and follows load and supply; the contacts \
        do not move and may coke.",
    response: "Look for an order or tag on the site. If there is none, arrange for the control to be looked at and put \
        back. Never assume from this record that a control is safe to work on: verify at the equipment, and follow \
        the utility's switching procedures, local codes and licensed practice.",
};

/// See `tap_spread`.
pub(super) const TAP_SPREAD: Entry = Entry {
    condition: Condition::TapSpread,
    name: "tap_spread",
    title: "Tap spread",
    scope: Scope::Bank,
    priority: Priority::Medium,
    respond_within: RespondWithin::THIS_SHIFT,
    suppressed_by: &[],
    parameters: &[
        parameter("taps", "Spread of taps, more than", "", 8.0, (0.0, 32.0)),
        parameter(
            "moves_together",
            "The bank moves together (0 tells itself, 1 yes, 2 no)",
            "",
            0.0,
            (0.0, 2.0),
        ),
        parameter("equal_h", "Tells itself: taps equal for at least", "h", 168.0, (1.0, 2160.0)),
        parameter("moves", "Tells itself: and moved together at least", "", 20.0, (1.0, 10_000.0)),
        parameter("delay_s", "For at least", "s", 900.0, (0.0, 604_800.0)),
        parameter("return_delay_s", "Within it again for at least", "s", 900.0, (0.0, 604_800.0)),
    ],
    cause: "One unit does not tap (manual, blocked, at its limit, a failed motor or drive) or reports a wrong tap; \
        controls of a bank have different settings; loads of the phases differ widely; one phase of the supply is \
        low. In a bank that moves together: one unit is out of step.",
    consequence: "Unbalanced voltage behind the bank; in a closed delta, currents that circulate and heat the units; one \
        unit wears for all.",
    response: "Compare taps, voltages and settings of the phases on the site page. A unit whose tap stands still while the \
        others move is the one to look at; a tap that does not agree with its voltages may be reported wrongly. \
        Verify positions at the equipment, and follow the utility's switching procedures, local codes and licensed \
        practice.",
};

/// See `voltage_unbalance`.
pub(super) const VOLTAGE_UNBALANCE: Entry = Entry {
    condition: Condition::VoltageUnbalance,
    name: "voltage_unbalance",
    title: "Voltage unbalance",
    scope: Scope::Bank,
    priority: Priority::Medium,
    respond_within: RespondWithin::THIS_SHIFT,
    suppressed_by: &[],
    parameters: &[
        parameter("limit_percent", "Unbalance by NEMA MG 1, more than", "%", 3.0, (0.1, 50.0)),
        parameter("deadband_percent", "Within it again by", "%", 0.5, (0.0, 10.0)),
        parameter("delay_s", "For at least", "s", 900.0, (0.0, 604_800.0)),
        parameter("return_delay_s", "Within it again for at least", "s", 900.0, (0.0, 604_800.0)),
    ],
    cause: "Single-phase load or generation spread unevenly over the phases, one unit of the bank not regulating, a fuse \
        or a phase open behind or before the bank, a faulty voltage measurement.",
    consequence: "Three-phase motors run hot: a few per cent of voltage unbalance make many times that of current \
        unbalance (NEMA MG 1 derates from 1 % on and advises against running beyond 5 %).",
    response: "Compare the phases' voltages and taps on the site page. One phase that stands off the others with its tap \
        at rest points to its unit, all taps apart to the load. Of a wye bank the figure is an estimate from \
        line-to-neutral voltages: have the line-to-line voltages \
        measured before acting on it. Verify at the equipment, and follow the utility's switching procedures, local \
        codes and licensed practice.",
};
