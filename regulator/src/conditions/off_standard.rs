//! A setting of the control differs from the standard stated for it in the thresholds.
//!
//! No standard is stated by default, and then nothing is judged. Set voltage, bandwidth and delay of zero mean no standard;
//! a compensator of zero is a standard like another, so a switch says whether it has one. Voltages are stated on the 120 V base
//! and scaled to the control's own. What is never reported is not judged; a setting that is missing from one reading is no
//! evidence that it is right.

use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Fact, Settings, Transition,
    hold::{Delays, Hold},
    words::{fact, number, span},
};
use crate::{Nameplate, Quantity, Reading};

/// The base that the standard is stated on, V.
const STATED_BASE_V: f64 = 120.0;
/// The last digit of a stored single-precision number is no difference.
const ROUNDING: f64 = 1e-4;

/// One setting with its standard.
#[derive(Debug, Clone, PartialEq)]
struct Wanted {
    quantity: Quantity,
    /// Its bit in what has been reported.
    bit: u8,
    value: f64,
    tolerance: f64,
}

/// The standard for one regulator; empty where none is stated.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Limits {
    wanted: Vec<Wanted>,
    delays: Delays,
}

impl Limits {
    pub(super) fn new(nameplate: &Nameplate, settings: &Settings) -> Self {
        let get = |name| settings.get(Condition::OffStandard, name);
        let scale = nameplate.voltage_base_v / STATED_BASE_V;
        let (volts, seconds) = (get("tolerance_v") * scale, get("tolerance_s"));
        let compensator = get("judge_compensator") >= 0.5;
        let all = [
            (Quantity::SetVoltage, "standard_set_voltage_v", scale, volts),
            (Quantity::Bandwidth, "standard_bandwidth_v", scale, volts),
            (Quantity::TimeDelay, "standard_delay_s", 1.0, seconds),
            (Quantity::LdcResistance, "standard_ldc_r_v", scale, volts),
            (Quantity::LdcReactance, "standard_ldc_x_v", scale, volts),
        ];
        let stated = |(bit, (quantity, name, scale, tolerance))| {
            let of_compensator = matches!(quantity, Quantity::LdcResistance | Quantity::LdcReactance);
            let value = get(name) * scale;
            let judged = if of_compensator { compensator } else { value != 0.0 };
            judged.then_some(Wanted { quantity, bit: 1_u8 << bit, value, tolerance })
        };
        Self {
            wanted: (0u8..).zip(all).filter_map(stated).collect(),
            delays: Delays { on_s: get("delay_s"), off_s: 0.0 },
        }
    }
}

/// The state.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct OffStandard {
    pub(super) hold: Hold,
    /// Which settings have ever been reported.
    reported: u8,
}

impl OffStandard {
    pub(super) fn observe(&mut self, limits: &Limits, reading: &Reading, out: &mut Vec<Transition>) {
        let at = reading.measured_at;
        let (mut known, mut off, mut missing) = (false, false, false);
        for wanted in &limits.wanted {
            if let Some(value) = reading.good(wanted.quantity) {
                known = true;
                self.reported |= wanted.bit;
                off |= wanted.differs(value);
            } else {
                missing |= self.reported & wanted.bit != 0;
            }
        }
        // no standard any more: what stands ends with the next reading
        let withdrawn = limits.wanted.is_empty() && self.hold.is_active();
        if !withdrawn && (!known || (missing && !off)) {
            return;
        }
        let Some(change) = self.hold.observe(at, off != self.hold.is_active(), limits.delays) else { return };
        let lasted_s = self.hold.lasted_s(at);
        let differing = || limits.wanted.iter().filter_map(|w| Some((w, reading.good(w.quantity)?)));
        let words: Vec<_> =
            differing().filter(|(w, value)| w.differs(*value)).map(|(w, value)| w.words(value)).collect();
        let summary = match change {
            Change::Raised => format!("{}, for {}", words.join("; "), span(lasted_s)),
            Change::Returned if limits.wanted.is_empty() => "no standard is stated any more".to_owned(),
            Change::Returned => format!("as the standard again after {}", span(lasted_s)),
        };
        let mut facts: Vec<_> = differing().flat_map(|(w, value)| w.facts(value)).collect();
        facts.push(fact("Since the first such reading", lasted_s, "s"));
        out.push(Transition { condition: Condition::OffStandard, change, at, summary, facts });
    }
}

impl Wanted {
    fn differs(&self, value: f64) -> bool {
        (value - self.value).abs() > self.tolerance + ROUNDING
    }

    fn words(&self, value: f64) -> String {
        let (title, unit) = (self.quantity.title(), self.quantity.unit());
        let title =
            if title.starts_with("Compensator") { title.replacen('C', "c", 1) } else { title.to_lowercase() };
        format!("{title} {} {unit}, standard {} {unit}", number(value, 2), number(self.value, 2))
    }

    fn facts(&self, value: f64) -> [Fact; 2] {
        let (title, unit) = (self.quantity.title(), self.quantity.unit());
        [fact(title, value, unit), fact(&format!("{title}, standard"), self.value, unit)]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::story::{Story, at};

    fn settings(s: i64, set: f64, width: f64, r: f64) -> Reading {
        Reading::new(at(s))
            .with(Quantity::SetVoltage, set)
            .with(Quantity::Bandwidth, width)
            .with(Quantity::LdcResistance, r)
    }

    fn run(story: &mut Story, from: i64, to: i64, reading: impl Fn(i64) -> Reading) -> Vec<String> {
        let lines = (from..to).step_by(60).flat_map(|s| story.observe(&reading(s)));
        lines.filter(|line| line.contains("off_standard")).collect()
    }

    #[test]
    fn without_a_standard_nothing_is_told() {
        assert!(run(&mut Story::common(), 0, 90_000, |s| settings(s, 99.0, 9.0, 20.0)).is_empty());
    }

    #[test]
    fn an_hour_off_the_standard_is_told_with_both_values() {
        let mut story = Story::common();
        story.set(Condition::OffStandard, "standard_set_voltage_v", 122.0);
        story.set(Condition::OffStandard, "standard_bandwidth_v", 2.0);
        assert!(run(&mut story, 0, 7200, |s| settings(s, 122.2, 2.0, 5.0)).is_empty(), "within 0.2 V");
        assert_eq!(
            run(&mut story, 7200, 12_000, |s| settings(s, 124.0, 1.5, 5.0)),
            [
                "10800 off_standard raised: set voltage 124 V, standard 122 V; bandwidth 1.5 V, standard 2 V, for 60 min"
            ]
        );
        assert_eq!(
            run(&mut story, 12_000, 12_060, |s| settings(s, 122.0, 2.0, 5.0)),
            ["12000 off_standard returned: as the standard again after 80 min"]
        );
    }

    #[test]
    fn no_compensation_can_be_the_standard() {
        let mut story = Story::common();
        story.set(Condition::OffStandard, "judge_compensator", 1.0);
        let lines = run(&mut story, 0, 3660, |s| settings(s, 122.0, 2.0, 3.0));
        assert_eq!(lines, ["3600 off_standard raised: compensator R 3 V, standard 0 V, for 60 min"]);
    }

    #[test]
    fn a_standard_taken_away_ends_it() {
        let mut story = Story::common();
        story.set(Condition::OffStandard, "standard_set_voltage_v", 122.0);
        assert_eq!(run(&mut story, 0, 3660, |s| settings(s, 125.0, 2.0, 0.0)).len(), 1);
        story.set(Condition::OffStandard, "standard_set_voltage_v", 0.0);
        let lines = run(&mut story, 3660, 3720, |s| settings(s, 125.0, 2.0, 0.0));
        assert_eq!(lines, ["3660 off_standard returned: no standard is stated any more"]);
    }

    #[test]
    fn a_setting_missing_from_a_reading_is_not_right_again() {
        let mut story = Story::common();
        story.set(Condition::OffStandard, "standard_set_voltage_v", 122.0);
        story.set(Condition::OffStandard, "standard_bandwidth_v", 2.0);
        assert_eq!(run(&mut story, 0, 3660, |s| settings(s, 125.0, 2.0, 0.0)).len(), 1);
        let width_alone = |s| Reading::new(at(s)).with(Quantity::Bandwidth, 2.0);
        assert!(run(&mut story, 3660, 7200, width_alone).is_empty());
    }

    #[test]
    fn the_standard_follows_the_base_of_the_control() {
        let mut story = Story::common();
        story.nameplate.voltage_base_v = 240.0;
        story.set(Condition::OffStandard, "standard_set_voltage_v", 122.0);
        assert!(run(&mut story, 0, 7200, |s| settings(s, 244.0, 2.0, 0.0)).is_empty());
    }
}
