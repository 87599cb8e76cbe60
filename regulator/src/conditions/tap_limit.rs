//! The tap is at its limit and the voltage still out of band on the side that further taps would mend.
//!
//! Judged from one reading that reports tap, load voltage, set voltage and bandwidth, all good. A compensator moves the voltage
//! that the control holds: where R or X is set, the high side is widened by the most they can add, because a load voltage
//! above the band is then what the control means to do.
//!
//! True no longer when, for the return delay, every reading had the tap off its limit or the voltage inside the band by the
//! deadband. A voltage that wanders about the edge of the band for a whole peak is one alarm. The deadband is stated on the
//! 120 V base, scaled to the control's own, and never more than half the band, so that a narrow band can be had again.

use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Settings, Transition,
    hold::{Delays, Hold},
    words::{fact, number, span},
};
use crate::{Nameplate, Quantity, Reading};

/// The base that the deadband is stated on, V.
const STATED_BASE_V: f64 = 120.0;

/// The limits of one regulator.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Limits {
    delays: Delays,
    deadband_v: f64,
    tap_min: f64,
    tap_max: f64,
}

impl Limits {
    pub(super) fn new(nameplate: &Nameplate, settings: &Settings) -> Self {
        let get = |name| settings.get(Condition::TapLimit, name);
        Self {
            delays: Delays { on_s: get("delay_s"), off_s: get("return_delay_s") },
            deadband_v: get("deadband_v") * nameplate.voltage_base_v / STATED_BASE_V,
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
    /// Not at such a limit, or the voltage back inside the band by the deadband.
    free: bool,
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
        let beyond =
            |low, high| (tap >= limits.tap_max && voltage < low) || (tap <= limits.tap_min && voltage > high);
        let deadband = limits.deadband_v.min(half);
        let (stuck, free) = (beyond(low, high), !beyond(low + deadband, high - deadband));
        Some(Self { tap, voltage, low, high, stuck, free })
    }
}

impl TapLimit {
    pub(super) fn observe(&mut self, limits: &Limits, reading: &Reading, out: &mut Vec<Transition>) {
        let Some(view) = View::of(limits, reading) else { return };
        let at = reading.measured_at;
        let contradicts = if self.hold.is_active() { view.free } else { view.stuck };
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

    const RAISED: &str =
        "300 tap_limit raised: at tap +16, its limit, load voltage 119.5 V, below 121 V for 5 min";

    #[test]
    fn full_raise_and_still_low_is_told_and_ends_when_off_the_limit_for_an_hour() {
        let mut story = Story::common();
        assert_eq!(run(&mut story, 0, 310, |s| reading(s, 16.0, 119.5)), [RAISED]);
        assert_eq!(
            run(&mut story, 310, 4000, |s| reading(s, 15.0, 120.5)),
            [
                "3910 tap_limit returned: tap +15, load voltage 120.5 V; had been at its limit and out of band over 65 min"
            ]
        );
    }

    #[test]
    fn a_peak_whose_voltage_wanders_about_the_edge_of_the_band_is_one_alarm() {
        let mut story = Story::common();
        assert_eq!(run(&mut story, 0, 310, |s| reading(s, 16.0, 119.5)), [RAISED]);
        // four hours: forty minutes well in band, twenty minutes below it
        let wander = |s| reading(s, 16.0, if s % 3600 < 2400 { 121.8 } else { 120.2 });
        assert!(run(&mut story, 310, 4 * 3600, wander).is_empty());
        let after = run(&mut story, 4 * 3600, 6 * 3600, |s| reading(s, 16.0, 121.8));
        assert_eq!(after.len(), 1, "{after:?}");
        assert!(after[0].starts_with("18000 tap_limit returned"), "{after:?}");
    }

    #[test]
    fn back_in_band_means_by_the_deadband_or_half_of_a_narrow_band() {
        let ends = |bandwidth: f64, base: f64, voltage: f64| {
            let mut story = Story::common();
            story.nameplate.voltage_base_v = base;
            let with_band = |s, v| reading(s, 16.0, v).with(Quantity::Bandwidth, bandwidth);
            let told = run(&mut story, 0, 4000, |s| with_band(s, if s < 310 { 119.5 } else { voltage }));
            assert!(told.contains(&RAISED.replace("121 V", &format!("{} V", 122.0 - bandwidth / 2.0))));
            told.iter().any(|line| line.contains("tap_limit returned"))
        };
        assert!(!ends(2.0, 120.0, 121.4), "121 V and 0.5 V are not reached");
        assert!(ends(2.0, 120.0, 121.5));
        assert!(!ends(2.0, 240.0, 121.9), "on a base of 240 V it is 1 V");
        assert!(ends(2.0, 240.0, 122.0));
        assert!(ends(0.5, 120.0, 122.0), "the middle of the band is enough");
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
