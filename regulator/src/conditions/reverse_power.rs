//! Power from load to source, for a time.
//!
//! Direction comes from real power, with a threshold and a delay, because near zero the sign flips with noise. Where a control
//! reports no usable power but says itself that flow is reversed, its word is taken.

use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Settings, Transition,
    excursion::{Bound, Excursion, Side},
    hold::Delays,
    words::{fact, number, span},
};
use crate::{Nameplate, Quantity, Reading};

/// The limit of one regulator, in kW.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Limits {
    bound: Bound,
}

impl Limits {
    pub(super) fn new(nameplate: &Nameplate, settings: &Settings) -> Self {
        let get = |name| settings.get(Condition::ReversePower, name);
        let limit = -get("threshold_percent") / 100.0 * nameplate.kva;
        let delays = Delays { on_s: get("delay_s"), off_s: get("return_delay_s") };
        let inside = limit * (1.0 - get("deadband_percent") / 100.0);
        Self { bound: Bound { side: Side::Low, limit, inside, delays } }
    }
}

/// The state.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct ReversePower {
    pub(super) excursion: Excursion,
}

impl ReversePower {
    pub(super) fn observe(&mut self, limits: &Limits, reading: &Reading, out: &mut Vec<Transition>) {
        let at = reading.measured_at;
        if let Some(power) = reading.good(Quantity::RealPower) {
            if let Some(change) = self.excursion.observe(at, power, &limits.bound) {
                out.push(self.by_power(change, reading, power, &limits.bound));
            }
        } else if let Some(reversed) = reading.flag(Quantity::ReverseFlow) {
            let hold = &mut self.excursion.hold;
            if let Some(change) = hold.observe(at, reversed != hold.is_active(), limits.bound.delays) {
                out.push(self.by_flag(change, reading));
            }
        }
    }

    fn by_power(&self, change: Change, reading: &Reading, power: f64, bound: &Bound) -> Transition {
        let at = reading.measured_at;
        let lasted_s = self.excursion.hold.lasted_s(at);
        let worst = self.excursion.worst(power);
        let summary = match change {
            Change::Raised => format!(
                "{} kW from load to source, beyond {} kW for {}",
                number(-power, 0),
                number(-bound.limit, 1),
                span(lasted_s)
            ),
            Change::Returned => format!(
                "forward again, {} kW; was reversed over {}, up to {} kW",
                number(power, 0),
                span(lasted_s),
                number(-worst, 0)
            ),
        };
        let facts = vec![
            fact("Real power, source to load", power, "kW"),
            fact("Limit", bound.limit, "kW"),
            fact("Strongest reverse power", worst, "kW"),
            fact("Since the first reading reversed", lasted_s, "s"),
        ];
        Transition { condition: Condition::ReversePower, change, at, summary, facts }
    }

    fn by_flag(&self, change: Change, reading: &Reading) -> Transition {
        let lasted_s = self.excursion.hold.lasted_s(reading.measured_at);
        let lasted = span(lasted_s);
        let summary = match change {
            Change::Raised => {
                format!("the control reports reverse flow for {lasted}; no usable power reading")
            }
            Change::Returned => format!("the control reports forward flow again; was reversed over {lasted}"),
        };
        let facts = vec![
            fact("Control reports reverse flow", f64::from(u8::from(change == Change::Raised)), ""),
            fact("Since the first reading reversed", lasted_s, "s"),
        ];
        Transition { condition: Condition::ReversePower, change, at: reading.measured_at, summary, facts }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        Quality,
        conditions::story::{Story, at},
    };

    fn power(story: &mut Story, from_s: i64, to_s: i64, kw: f64) -> Vec<String> {
        let mut told = vec![];
        for s in (from_s..to_s).step_by(10) {
            told.extend(story.observe(&Reading::new(at(s)).with(Quantity::RealPower, kw)));
        }
        told
    }

    // 2 % of 167 kVA is 3.34 kW (arithmetic).

    #[test]
    fn a_sunny_noon_is_one_alarm_and_one_return() {
        let mut story = Story::common();
        assert!(power(&mut story, 0, 3600, 200.0).is_empty());
        assert_eq!(
            power(&mut story, 3600, 7200, -150.0),
            ["3720 reverse_power raised: 150 kW from load to source, beyond 3.3 kW for 2 min"]
        );
        assert!(power(&mut story, 7200, 7500, 20.0).is_empty(), "a passing cloud");
        assert!(power(&mut story, 7500, 9000, -160.0).is_empty(), "still the same noon");
        assert_eq!(
            power(&mut story, 9000, 9700, 90.0),
            ["9600 reverse_power returned: forward again, 90 kW; was reversed over 100 min, up to 160 kW"]
        );
    }

    #[test]
    fn noise_about_zero_is_nothing() {
        let mut story = Story::common();
        for s in 0..360 {
            let noise = if s % 2 == 0 { 3.0 } else { -3.0 };
            assert!(power(&mut story, s * 10, s * 10 + 10, noise).is_empty());
        }
    }

    #[test]
    fn half_the_threshold_is_neither_reversed_nor_forward() {
        let mut story = Story::common();
        assert_eq!(power(&mut story, 0, 130, -10.0).len(), 1);
        assert!(power(&mut story, 130, 2000, -2.0).is_empty());
        assert_eq!(power(&mut story, 2000, 2700, -1.0).len(), 1);
    }

    #[test]
    fn without_power_the_controls_own_word_counts() {
        let mut story = Story::common();
        let mut told = vec![];
        for s in (0..=120).step_by(10) {
            let mut reading = Reading::new(at(s)).with(Quantity::ReverseFlow, 1.0);
            reading.set(Quantity::RealPower, Some(500.0), Quality::OutOfRange);
            told.extend(story.observe(&reading));
        }
        assert_eq!(
            told,
            ["120 reverse_power raised: the control reports reverse flow for 2 min; no usable power reading"]
        );
    }
}
