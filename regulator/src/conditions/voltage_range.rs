//! Load voltage outside a range of ANSI C84.1, low or high.
//!
//! Range A and range B are two conditions judged alike. Whoever is outside B is outside A as well, so both alarms may stand at
//! once; neither hides the other here. Limits are stated on the 120 V base and scaled to the control's own.

use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Settings, Transition,
    excursion::{Bound, Excursion, Side},
    hold::Delays,
    words::{fact, number, span},
};
use crate::{Nameplate, Quantity, Reading};

/// The base that the limits are stated on, V.
const STATED_BASE_V: f64 = 120.0;

/// The limits of one range for one regulator.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Limits {
    condition: Condition,
    low: Bound,
    high: Bound,
}

impl Limits {
    pub(super) fn new(condition: Condition, nameplate: &Nameplate, settings: &Settings) -> Self {
        let volts = |name| settings.get(condition, name) * nameplate.voltage_base_v / STATED_BASE_V;
        let delays = Delays {
            on_s: settings.get(condition, "delay_s"),
            off_s: settings.get(condition, "return_delay_s"),
        };
        let bound = |side, limit: f64, deadband: f64| Bound { side, limit, inside: limit + deadband, delays };
        let deadband = volts("deadband_v");
        Self {
            condition,
            low: bound(Side::Low, volts("low_v"), deadband),
            high: bound(Side::High, volts("high_v"), -deadband),
        }
    }
}

/// The state of one range.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct VoltageRange {
    pub(super) low: Excursion,
    pub(super) high: Excursion,
}

impl VoltageRange {
    pub(super) fn observe(&mut self, limits: &Limits, reading: &Reading, out: &mut Vec<Transition>) {
        let Some(voltage) = reading.good(Quantity::LoadVoltage) else { return };
        let quiet = self.low.is_quiet() && self.high.is_quiet();
        if quiet && !limits.low.is_out(voltage) && !limits.high.is_out(voltage) {
            return;
        }
        let at = reading.measured_at;
        let mut sides = [(&mut self.low, &limits.low), (&mut self.high, &limits.high)];
        let changes = sides.each_mut().map(|(state, bound)| state.observe(at, voltage, bound));
        // One alarm a condition: where one side is raised while the other still waits for its return, that return comes first.
        for (this, other) in [(0, 1), (1, 0)] {
            if changes[this] == Some(Change::Raised) && sides[other].0.hold.is_active() {
                let (state, bound) = &mut sides[other];
                state.hold.end();
                out.push(transition(limits.condition, Change::Returned, reading, voltage, state, bound));
            }
        }
        for wanted in [Change::Returned, Change::Raised] {
            for ((state, bound), _) in sides.iter().zip(changes).filter(|(_, change)| *change == Some(wanted))
            {
                out.push(transition(limits.condition, wanted, reading, voltage, state, bound));
            }
        }
    }
}

fn transition(
    condition: Condition,
    change: Change,
    reading: &Reading,
    voltage: f64,
    state: &Excursion,
    bound: &Bound,
) -> Transition {
    let at = reading.measured_at;
    let lasted_s = state.hold.lasted_s(at);
    let worst = state.worst(voltage);
    let (word, worst_word) = match bound.side {
        Side::Low => ("below", "Lowest since it left"),
        Side::High => ("above", "Highest since it left"),
    };
    let (limit, span) = (number(bound.limit, 2), span(lasted_s));
    let summary = match change {
        Change::Raised => format!("load voltage {voltage:.1} V, {word} {limit} V for {span}"),
        Change::Returned => {
            format!(
                "load voltage {voltage:.1} V, inside again; was {word} {limit} V, worst {worst:.1} V, over {span}"
            )
        }
    };
    let facts = vec![
        fact("Load voltage", voltage, "V"),
        fact("Limit", bound.limit, "V"),
        fact(worst_word, worst, "V"),
        fact("Since the first reading outside", lasted_s, "s"),
    ];
    Transition { condition, change, at, summary, facts }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::story::{Story, at};

    /// Readings of load voltage, one each 10 s.
    fn voltages(story: &mut Story, from_s: i64, to_s: i64, voltage: f64) -> Vec<String> {
        let mut told = vec![];
        for s in (from_s..to_s).step_by(10) {
            told.extend(story.observe(&Reading::new(at(s)).with(Quantity::LoadVoltage, voltage)));
        }
        told
    }

    // Service voltage, ANSI C84.1: range A 114 to 126 V, range B 110 to 127 V on a 120 V base (from memory of the standard).

    #[test]
    fn five_minutes_below_114_v_is_outside_range_a() {
        let mut story = Story::common();
        assert!(voltages(&mut story, 0, 300, 113.0).is_empty());
        assert_eq!(
            voltages(&mut story, 300, 310, 112.9),
            ["300 voltage_range_a raised: load voltage 112.9 V, below 114 V for 5 min"]
        );
        assert!(voltages(&mut story, 310, 600, 114.5).is_empty(), "inside, but within the deadband");
        assert!(voltages(&mut story, 600, 720, 114.75).is_empty(), "0.75 V inside, not yet for 2 min");
        assert_eq!(
            voltages(&mut story, 720, 730, 115.0),
            [
                "720 voltage_range_a returned: load voltage 115.0 V, inside again; was below 114 V, worst 112.9 V, over 12 min"
            ]
        );
    }

    #[test]
    fn the_limits_themselves_are_inside() {
        let mut story = Story::common();
        assert!(voltages(&mut story, 0, 1000, 114.0).is_empty());
        assert!(voltages(&mut story, 1000, 2000, 126.0).is_empty());
    }

    #[test]
    fn beyond_127_v_both_ranges_stand_and_b_is_first() {
        let mut story = Story::common();
        assert_eq!(
            voltages(&mut story, 0, 310, 127.5),
            [
                "60 voltage_range_b raised: load voltage 127.5 V, above 127 V for 60 s",
                "300 voltage_range_a raised: load voltage 127.5 V, above 126 V for 5 min",
            ]
        );
    }

    #[test]
    fn from_low_to_high_the_low_one_ends_as_the_high_one_begins() {
        let mut story = Story::common();
        story.set(Condition::VoltageRangeB, "return_delay_s", 3600.0);
        voltages(&mut story, 0, 70, 109.0);
        let told = voltages(&mut story, 70, 140, 128.0);
        assert_eq!(
            told,
            [
                "130 voltage_range_b returned: load voltage 128.0 V, inside again; was below 110 V, worst 109.0 V, over 2.2 min",
                "130 voltage_range_b raised: load voltage 128.0 V, above 127 V for 60 s",
            ]
        );
    }

    #[test]
    fn missing_and_doubtful_voltages_leave_it_as_it_is() {
        let mut story = Story::common();
        voltages(&mut story, 0, 200, 113.0);
        let mut doubtful = Reading::new(at(205));
        doubtful.set(Quantity::LoadVoltage, Some(120.0), crate::Quality::Stale);
        assert!(story.observe(&doubtful).is_empty());
        assert_eq!(
            voltages(&mut story, 300, 310, 113.0).len(),
            1,
            "the doubtful 120 V did not start the delay anew"
        );
    }

    #[test]
    fn limits_follow_the_base_of_the_control() {
        let mut story = Story::common();
        story.nameplate.voltage_base_v = 115.0;
        assert!(voltages(&mut story, 0, 310, 109.5).is_empty(), "114 V on 120 V is 109.25 V on 115 V");
        assert_eq!(voltages(&mut story, 310, 630, 109.2).len(), 1);
    }
}
