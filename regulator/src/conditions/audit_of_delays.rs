//! Which conditions have an on-delay, an off-delay and a deadband among their parameters, and why the others need none.
//!
//! On-delay, off-delay and deadband are the first tools against chattering alarms (ISA-18.2, IEC 62682, from memory). A condition
//! judged of a level has all three; one judged of a rate or a count over time has an off-delay: the time counted over is its
//! on-delay, and a whole number has no deadband. What is an event, or a state that is reported and not measured, says why not.

use super::Condition;

/// A parameter of this name, or the reason why there is none.
enum Tool {
    Has(&'static str),
    Needless(&'static str),
}

use Tool::{Has, Needless};

const COUNTED: Tool = Needless("an hour and a day counted over are the delay");
const WHOLE: Tool = Needless("a count is a whole number");
const STATE: Tool = Needless("a state is reported, not measured");
const PROOF: Tool = Needless("the first sign of life is proof");
const DEADLINE: Tool = Needless("a deadline has no level");

/// On-delay, off-delay, deadband.
#[rustfmt::skip]
fn tools(condition: Condition) -> [Tool; 3] {
    match condition {
        Condition::ExcessTapping | Condition::Hunting | Condition::CloudDrivenTapping =>
            [COUNTED, Has("return_delay_h"), WHOLE],
        Condition::ReversePower => [Has("delay_s"), Has("return_delay_s"), Has("deadband_percent")],
        Condition::VoltageRangeA | Condition::VoltageRangeB | Condition::TapLimit =>
            [Has("delay_s"), Has("return_delay_s"), Has("deadband_v")],
        Condition::VoltageUnbalance => [Has("delay_s"), Has("return_delay_s"), Has("deadband_percent")],
        Condition::HarmonicDistortion => [Has("delay_s"), Has("return_delay_s"), Has("deadband_percent")],
        Condition::Overload => [Has("delay_s"), Has("return_delay_s"), Has("over_percent")],
        Condition::TapSpread => [Has("delay_s"), Has("return_delay_s"), Needless("taps are whole numbers")],
        Condition::NotAutomatic => [Has("delay_s"), PROOF, STATE],
        Condition::BlockedOrManualTooLong => [Has("delay_h"), PROOF, STATE],
        Condition::ReadingsStale => [Has("polls"), PROOF, DEADLINE],
        Condition::EndpointSilent | Condition::PollerSilent => [Has("delay_s"), PROOF, DEADLINE],
        Condition::SettingsChanged =>
            [Has("delay_s"), Has("accept_h"), Needless("a setting moves by hand; rounding is allowed for")],
        Condition::OffStandard => [
            Has("delay_s"),
            Needless("a setting put right is right at once, and stays where it was put"),
            Has("tolerance_v"),
        ],
        Condition::Runaway => [Has("least_operations"), Has("return_delay_s"), Needless(
            "unanswered operations are counted; the power's threshold is passed for the whole return delay",
        )],
        Condition::SlippedTapReport => [
            Needless("the audit judges blocks of readings, not one"),
            Needless("the same: it takes blocks that agree again"),
            Has("deadband_steps"),
        ],
        Condition::MechanismSuspect => [Has("least_s"), Needless("a tap that moves is proof"), Has("margin_v")],
        Condition::ExerciseDue => [Has("tap_days"), Needless("a tap that moves is proof"), DEADLINE],
        Condition::WearLimit => [
            Has("rate_days"),
            Needless("a share used never falls, and the rate is a mean over rate_days"),
            Has("deadband_percent"),
        ],
        Condition::CounterAnomaly => [Has("disagreements"), Has("return_delay_h"), WHOLE],
        Condition::SubstationSilent | Condition::PollerCutOff =>
            [Has("delay_s"), Has("return_delay_s"), Has("deadband_percent")],
        Condition::DetectionStopped | Condition::DeliveryStopped => [Has("delay_s"), PROOF, DEADLINE],
        Condition::MessagesUndelivered =>
            [Has("delay_s"), Needless("an empty list is proof"), Needless("a list is empty or not")],
    }
}

#[test]
fn every_condition_has_its_delays_and_deadband_or_a_reason() {
    for condition in Condition::all() {
        for tool in tools(condition) {
            match tool {
                Has(name) => {
                    let parameter = condition.parameter(name);
                    let parameter = parameter.unwrap_or_else(|| panic!("{condition:?} has no {name}"));
                    let list = condition == Condition::MessagesUndelivered;
                    assert!(parameter.default > 0.0 || list, "{condition:?} {name} does nothing by default");
                }
                Needless(why) => assert!(why.contains(' '), "{condition:?}: {why}"),
            }
        }
    }
}

/// No parameter that is a delay of a return, or a deadband, is left out of the table above.
#[test]
fn the_table_names_every_return_delay_and_deadband() {
    for condition in Condition::all() {
        let named: Vec<_> = tools(condition)
            .into_iter()
            .filter_map(|t| if let Has(n) = t { Some(n) } else { None })
            .collect();
        for p in condition.parameters() {
            if p.name.starts_with("return_delay") || p.name.starts_with("deadband") {
                assert!(named.contains(&p.name), "{condition:?} {}", p.name);
            }
        }
    }
}
