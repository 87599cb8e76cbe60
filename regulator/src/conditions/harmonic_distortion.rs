//! Harmonic distortion beyond IEEE 519 for long.
//!
//! Voltage: total harmonic distortion against the limit for the voltage (see [`crate::harmonics`]), or another one stated. A
//! nameplate does not say whether its voltage is line to line, so the laxer of the two limits holds; they differ for no
//! distribution regulator above 1 kV. Current: demand distortion of the demand stated, or else of the rated current, and only where
//! the ratio of short-circuit to demand current is stated, on which its limit rests.
//!
//! The standard judges percentiles of days at a customer's point of common coupling; here it is a stretch of readings at the
//! regulator: a reason to measure, not a verdict. One alarm stands for both: it returns when both are within the limit, less a deadband,
//! again.

use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Settings, Transition,
    excursion::{Bound, Excursion, Side},
    hold::Delays,
    words::{fact, number, span},
};
use crate::{Nameplate, Quantity, Reading, harmonics};

/// The limits of one regulator, %.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Limits {
    voltage: Option<Bound>,
    current: Option<Bound>,
    demand_a: f64,
}

impl Limits {
    pub(super) fn new(nameplate: &Nameplate, settings: &Settings) -> Self {
        let get = |name| settings.get(Condition::HarmonicDistortion, name);
        let delays = Delays { on_s: get("delay_s"), off_s: get("return_delay_s") };
        let bound = |limit: f64| {
            let inside = (limit - get("deadband_percent")).max(0.5 * limit);
            Bound { side: Side::High, limit, inside, delays }
        };
        let demand_a = match get("demand_a") {
            0.0 => nameplate.rated_current_a,
            stated => stated,
        };
        Self {
            voltage: voltage_limit(nameplate, get("voltage_percent")).map(bound),
            current: harmonics::demand_limit_percent(get("short_circuit_ratio"))
                .filter(|_| demand_a > 0.0)
                .map(bound),
            demand_a,
        }
    }
}

/// The stated one, or else the standard's.
fn voltage_limit(nameplate: &Nameplate, stated: f64) -> Option<f64> {
    if stated > 0.0 {
        return Some(stated);
    }
    let kv = nameplate.rated_voltage_v / 1000.0;
    (kv > 0.0).then(|| harmonics::voltage_limit_percent(kv))
}

/// The state.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct HarmonicDistortion {
    pub(super) voltage: Excursion,
    pub(super) current: Excursion,
}

impl HarmonicDistortion {
    pub(super) fn observe(&mut self, limits: &Limits, reading: &Reading, out: &mut Vec<Transition>) {
        let before = self.is_active();
        let (mut volts, mut demand) = (None, None);
        if let (Some(bound), Some(percent)) = (&limits.voltage, reading.good(Quantity::VoltageDistortion)) {
            volts = self.voltage.observe(reading.measured_at, percent, bound).map(|_| (percent, bound));
        }
        if let (Some(bound), Some(percent)) = (&limits.current, demand_distortion(limits, reading)) {
            demand = self.current.observe(reading.measured_at, percent, bound).map(|_| (percent, bound));
        }
        let change = match (before, self.is_active()) {
            (false, true) => Change::Raised,
            (true, false) => Change::Returned,
            _ => return,
        };
        // the last to change is what made the difference
        if let Some((percent, bound)) = volts {
            out.push(transition(change, reading, VOLTAGE, (percent, bound, &self.voltage)));
        } else if let Some((percent, bound)) = demand {
            out.push(transition(change, reading, DEMAND, (percent, bound, &self.current)));
        }
    }

    const fn is_active(&self) -> bool {
        self.voltage.hold.is_active() || self.current.hold.is_active()
    }

    /// Drops pending evidence: its times turned out to be wrong.
    pub(super) fn forget_pending(&mut self) {
        self.voltage.hold.forget_pending();
        self.current.hold.forget_pending();
    }
}

fn demand_distortion(limits: &Limits, reading: &Reading) -> Option<f64> {
    let percent = reading.good(Quantity::CurrentDistortion)?;
    let amperes = reading.good(Quantity::Current)?.abs();
    harmonics::demand_distortion_percent(percent, amperes, limits.demand_a)
}

const VOLTAGE: &str = "distortion of voltage";
const DEMAND: &str = "demand distortion of current";

fn transition(
    change: Change,
    reading: &Reading,
    what: &str,
    (percent, bound, state): (f64, &Bound, &Excursion),
) -> Transition {
    let at = reading.measured_at;
    let lasted_s = state.hold.lasted_s(at);
    let worst = state.worst(percent);
    let (now, limit, lasted) = (number(percent, 1), number(bound.limit, 1), span(lasted_s));
    let summary = match change {
        Change::Raised => format!("{what} {now} %, above {limit} % for {lasted}"),
        Change::Returned => {
            format!("{what} {now} %; was above {limit} % over {lasted}, up to {} %", number(worst, 1))
        }
    };
    let facts = vec![
        fact("Distortion", percent, "%"),
        fact("Limit", bound.limit, "%"),
        fact("Highest", worst, "%"),
        fact("Since the first reading above", lasted_s, "s"),
    ];
    Transition { condition: Condition::HarmonicDistortion, change, at, summary, facts }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::story::{Story, at};

    fn watch(
        story: &mut Story,
        minutes: std::ops::Range<i64>,
        volts: f64,
        (amperes, current): (f64, f64),
    ) -> Vec<String> {
        let reading = |minute: i64| {
            Reading::new(at(minute * 60))
                .with(Quantity::VoltageDistortion, volts)
                .with(Quantity::Current, amperes)
                .with(Quantity::CurrentDistortion, current)
        };
        minutes.flat_map(|minute| story.observe(&reading(minute))).collect()
    }

    const LITTLE: (f64, f64) = (100.0, 4.0);

    // Voltage above 1 kV and up to 69 kV: 5 % (IEEE 519-2014/2022 table 1, as openly reproduced).
    #[test]
    fn an_hour_above_the_standards_limit_is_told_and_a_short_time_is_not() {
        let mut story = Story::common();
        assert!(watch(&mut story, 0..100, 5.0, LITTLE).is_empty(), "the limit itself is within");
        assert!(watch(&mut story, 100..150, 9.0, LITTLE).is_empty());
        assert!(watch(&mut story, 150..160, 4.9, LITTLE).is_empty());
        assert_eq!(
            watch(&mut story, 160..240, 5.6, LITTLE),
            ["13200 harmonic_distortion raised: distortion of voltage 5.6 %, above 5 % for 60 min"]
        );
        assert!(watch(&mut story, 240..400, 4.8, LITTLE).is_empty(), "within the deadband");
        assert_eq!(
            watch(&mut story, 400..480, 4.0, LITTLE),
            [
                "27600 harmonic_distortion returned: distortion of voltage 4 %; was above 5 % over 5 h, up to 5.6 %"
            ]
        );
    }

    #[test]
    fn low_voltage_and_stated_limits() {
        let mut low = Story::common();
        low.nameplate.rated_voltage_v = 480.0;
        assert!(watch(&mut low, 0..200, 7.9, LITTLE).is_empty(), "up to 1 kV: 8 %");
        low.set(Condition::HarmonicDistortion, "voltage_percent", 6.0);
        assert_eq!(watch(&mut low, 200..300, 7.9, LITTLE).len(), 1);
    }

    // IEEE 519: 5 % of demand below a ratio of 20. 12 A of harmonics in a demand of 200 A are 6 %, of 219 A rated 5.5 %.
    #[test]
    fn current_is_judged_as_demand_distortion_where_the_ratio_is_stated() {
        let harmonic = (40.0_f64.hypot(12.0), 30.0);
        let mut story = Story::common();
        assert!(watch(&mut story, 0..200, 1.0, harmonic).is_empty(), "no ratio stated");
        story.set(Condition::HarmonicDistortion, "short_circuit_ratio", 25.0);
        assert!(watch(&mut story, 200..400, 1.0, harmonic).is_empty(), "8 %");
        story.set(Condition::HarmonicDistortion, "short_circuit_ratio", 15.0);
        story.set(Condition::HarmonicDistortion, "demand_a", 200.0);
        let told = watch(&mut story, 400..500, 1.0, harmonic);
        assert_eq!(told.len(), 1, "{told:?}");
        assert!(told[0].ends_with("demand distortion of current 6 %, above 5 % for 60 min"), "{told:?}");
        // the voltage too: one alarm, which returns when both are within again
        assert!(watch(&mut story, 500..600, 7.0, harmonic).is_empty());
        assert!(watch(&mut story, 600..700, 7.0, LITTLE).is_empty());
        assert_eq!(watch(&mut story, 700..800, 1.0, LITTLE).len(), 1);
    }
}
