//! The tap is at its limit and the voltage still out of band on the side that further taps would mend.
//!
//! Judged from one reading that reports tap, load voltage, set voltage and bandwidth, all good. A compensator moves the voltage
//! that the control holds: where R or X is set, the high side is widened by the most they can add, because a load voltage
//! above the band is then what the control means to do.

use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Settings, Transition,
    hold::{Delays, Hold},
    words::{fact, number, span},
};
use crate::{Nameplate, Quantity, Reading};

/// The limits of one regulator.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Limits {
    delays: Delays,
    tap_min: f64,
    tap_max: f64,
}

impl Limits {
    pub(super) fn new(nameplate: &Nameplate, settings: &Settings) -> Self {
        let get = |name| settings.get(Condition::TapLimit, name);
        Self {
            delays: Delays { on_s: get("delay_s"), off_s: get("return_delay_s") },
            tap_min: nameplate.tap_min.into(),
            tap_max: nameplate.tap_max.into(),
        }
    }
}

/// The state.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct TapLimit {
    pub(super) hold: Hold,
}

/// What one reading says.
struct View {
    tap: f64,
    voltage: f64,
    low: f64,
    high: f64,
    /// At a limit with the voltage out on the side that it cannot mend.
    stuck: bool,
}

impl View {
    fn of(limits: &Limits, reading: &Reading) -> Option<Self> {
        let tap = reading.good(Quantity::Tap)?;
        let voltage = reading.good(Quantity::LoadVoltage)?;
        let set = reading.good(Quantity::SetVoltage)?;
        let half = reading.good(Quantity::Bandwidth)? / 2.0;
        let r = reading.good(Quantity::LdcResistance).unwrap_or(0.0);
        let x = reading.good(Quantity::LdcReactance).unwrap_or(0.0);
        let low = set - half + r.min(0.0) + x.min(0.0);
        let high = set + half + r.max(0.0) + x.max(0.0);
        let stuck = (tap >= limits.tap_max && voltage < low) || (tap <= limits.tap_min && voltage > high);
        Some(Self { tap, voltage, low, high, stuck })
    }
}

impl TapLimit {
    pub(super) fn observe(&mut self, limits: &Limits, reading: &Reading, out: &mut Vec<Transition>) {
        let Some(view) = View::of(limits, reading) else { return };
        let at = reading.measured_at;
        let contradicts = view.stuck != self.hold.is_active();
        let Some(change) = self.hold.observe(at, contradicts, limits.delays) else { return };
        let lasted_s = self.hold.lasted_s(at);
        let summary = match change {
            Change::Raised => {
                let (word, edge) =
                    if view.voltage < view.low { ("below", view.low) } else { ("above", view.high) };
                format!(
                    "at tap {:+}, its limit, load voltage {:.1} V, {word} {} V for {}",
                    view.tap,
                    view.voltage,
                    number(edge, 2),
                    span(lasted_s)
                )
            }
            Change::Returned => format!(
                "tap {:+}, load voltage {:.1} V; had been at its limit and out of band over {}",
                view.tap,
                view.voltage,
                span(lasted_s)
            ),
        };
        let facts = vec![
            fact("Tap", view.tap, ""),
            fact("Load voltage", view.voltage, "V"),
            fact("Lower edge of the band", view.low, "V"),
            fact("Upper edge of the band", view.high, "V"),
            fact("Since the first such reading", lasted_s, "s"),
        ];
        out.push(Transition { condition: Condition::TapLimit, change, at, summary, facts });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        Quality,
        conditions::story::{Story, at},
    };

    fn reading(s: i64, tap: f64, voltage: f64) -> Reading {
        Reading::new(at(s))
            .with(Quantity::Tap, tap)
            .with(Quantity::LoadVoltage, voltage)
            .with(Quantity::SetVoltage, 122.0)
            .with(Quantity::Bandwidth, 2.0)
    }

    fn run(story: &mut Story, from_s: i64, to_s: i64, make: impl Fn(i64) -> Reading) -> Vec<String> {
        (from_s..to_s).step_by(10).flat_map(|s| story.observe(&make(s))).collect()
    }

    #[test]
    fn full_raise_and_still_low_is_told_and_ends_when_back_in_band() {
        let mut story = Story::common();
        assert_eq!(
            run(&mut story, 0, 310, |s| reading(s, 16.0, 119.5)),
            ["300 tap_limit raised: at tap +16, its limit, load voltage 119.5 V, below 121 V for 5 min"]
        );
        assert_eq!(
            run(&mut story, 310, 440, |s| reading(s, 15.0, 121.5)),
            [
                "430 tap_limit returned: tap +15, load voltage 121.5 V; had been at its limit and out of band over 7.2 min"
            ]
        );
    }

    #[test]
    fn full_raise_while_high_is_on_its_way_back() {
        let mut story = Story::common();
        assert!(run(&mut story, 0, 900, |s| reading(s, 16.0, 124.0)).is_empty());
        assert!(run(&mut story, 900, 1800, |s| reading(s, -16.0, 119.0)).is_empty());
    }

    #[test]
    fn a_reduced_range_counts_as_the_limit() {
        let mut story = Story::common();
        story.nameplate.tap_min = -8;
        assert_eq!(run(&mut story, 0, 310, |s| reading(s, -8.0, 124.0)).len(), 1);
    }

    #[test]
    fn a_tap_beyond_its_limits_is_never_used() {
        let mut story = Story::common();
        let odd = |s| {
            let mut odd = reading(s, 16.0, 119.0);
            odd.set(Quantity::Tap, Some(40.0), Quality::OutOfRange);
            odd
        };
        assert!(run(&mut story, 0, 900, odd).is_empty());
    }

    #[test]
    fn compensation_may_mean_a_high_voltage_at_the_regulator() {
        let mut story = Story::common();
        let compensated = |s| reading(s, -16.0, 126.0).with(Quantity::LdcResistance, 4.0);
        assert!(run(&mut story, 0, 900, compensated).is_empty());
        assert_eq!(run(&mut story, 900, 1300, |s| reading(s, -16.0, 126.0)).len(), 1);
    }
}
