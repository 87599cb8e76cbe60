//! A setting of the control differs from what it was for a long time.
//!
//! The settings are those that are reported: set voltage, bandwidth, delay, compensator R and X, and, where the thresholds say so,
//! the mode (left out by default, because [`super::not_automatic`] tells it already). A set of values that has stood for the
//! settling time is the old one. True when another has stood for the delay; true no longer when the old one is back, or
//! when the new one has stood for the time that makes it the accepted one. While an alarm stands a third value
//! is still a change from the old one, and the time to acceptance starts anew.
//!
//! A setting that is missing is as it was last reported; one reported for the first time is no change.

use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Fact, Settings, Transition,
    hold::seconds,
    words::{fact, number, span},
};
use crate::{Quantity, Reading, Timestamp};

/// The settings, with how far apart two reports of the same value may be, for rounding.
const SETTINGS: [(Quantity, f64); COUNT] = [
    (Quantity::SetVoltage, 0.051),
    (Quantity::Bandwidth, 0.051),
    (Quantity::TimeDelay, 0.51),
    (Quantity::LdcResistance, 0.051),
    (Quantity::LdcReactance, 0.051),
    (Quantity::Automatic, 0.5),
];
const COUNT: usize = 6;
const MODE: usize = COUNT - 1;

/// The limits of one regulator, seconds.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Limits {
    settled_s: f64,
    delay_s: f64,
    accept_s: f64,
    /// How many of the settings are looked at.
    count: usize,
}

impl Limits {
    pub(super) fn new(settings: &Settings) -> Self {
        let get = |name| settings.get(Condition::SettingsChanged, name);
        Self {
            settled_s: get("settled_h") * 3600.0,
            delay_s: get("delay_s"),
            accept_s: get("accept_h") * 3600.0,
            count: if get("mode") >= 0.5 { COUNT } else { MODE },
        }
    }
}

/// One value of each setting, as far as known.
type Values = [Option<f64>; COUNT];

/// The state.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct SettingsChanged {
    active: bool,
    /// As they were for long; nothing until something has stood so long.
    was: Option<Values>,
    /// As last reported.
    now: Values,
    /// First reading that had them so.
    since: Option<Timestamp>,
    /// Whether they are so for long enough that nothing is pending.
    settled: bool,
}

impl SettingsChanged {
    pub(super) fn observe(&mut self, limits: &Limits, reading: &Reading, out: &mut Vec<Transition>) {
        let at = reading.measured_at;
        if self.take(limits, reading) || self.since.is_none() {
            self.since = Some(at);
            self.settled = false;
        }
        if self.settled {
            return;
        }
        let stood_s = self.since.map_or(0.0, |since| seconds(since, at));
        let Some(was) = self.was else {
            if stood_s >= limits.settled_s {
                self.settle();
            }
            return;
        };
        let differs = differing(&was, &self.now, limits.count).next().is_some();
        match (self.active, differs) {
            (false, true) if stood_s >= limits.delay_s => {
                self.active = true;
                out.push(transition(Change::Raised, at, &was, &self.now, limits, stood_s));
            }
            (true, false) => {
                self.active = false;
                out.push(transition(Change::Returned, at, &was, &self.now, limits, stood_s));
            }
            (true, true) if stood_s >= limits.accept_s => {
                self.active = false;
                out.push(transition(Change::Returned, at, &was, &self.now, limits, stood_s));
                self.settle();
            }
            (false, false) if stood_s >= limits.settled_s => self.settle(),
            _ => {}
        }
    }

    /// Drops what is pending: its times turned out to be wrong.
    pub(super) const fn forget_pending(&mut self) {
        self.since = None;
    }

    /// Takes what the reading reports; whether that is another set of values.
    fn take(&mut self, limits: &Limits, reading: &Reading) -> bool {
        let mut changed = false;
        for ((quantity, same), now) in SETTINGS.iter().zip(&mut self.now).take(limits.count) {
            let Some(value) = reading.good(*quantity) else { continue };
            if now.is_none_or(|known| (value - known).abs() > *same) {
                *now = Some(value);
                changed = true;
            }
        }
        changed
    }

    /// What is now is what was, from here on.
    fn settle(&mut self) {
        // before anything has been reported there is nothing to settle
        if self.now.iter().all(Option::is_none) {
            return;
        }
        self.was = Some(self.now);
        self.settled = true;
    }
}

/// The settings that differ: which, the old value and the new.
fn differing(was: &Values, now: &Values, count: usize) -> impl Iterator<Item = (Quantity, f64, f64)> {
    let pairs = SETTINGS.iter().zip(was.iter().zip(now)).take(count);
    pairs.filter_map(|((quantity, same), (was, now))| {
        let (was, now) = ((*was)?, (*now)?);
        ((now - was).abs() > *same).then_some((*quantity, was, now))
    })
}

fn transition(
    change: Change,
    at: Timestamp,
    was: &Values,
    now: &Values,
    limits: &Limits,
    stood_s: f64,
) -> Transition {
    let changes: Vec<_> = differing(was, now, limits.count).collect();
    let words = changes.iter().map(|&(quantity, was, now)| words(quantity, was, now));
    let words = words.collect::<Vec<_>>().join("; ");
    let summary = match change {
        Change::Raised => words,
        Change::Returned if changes.is_empty() => "set back to what it was".to_owned(),
        Change::Returned => format!("has stood for {}, taken for meant: {words}", span(stood_s)),
    };
    let pair = |&(quantity, was, now): &(Quantity, f64, f64)| -> [Fact; 2] {
        let (title, unit) = (quantity.title(), quantity.unit());
        [fact(&format!("{title}, old"), was, unit), fact(&format!("{title}, new"), now, unit)]
    };
    let mut facts: Vec<_> = changes.iter().flat_map(pair).collect();
    facts.push(fact("As it is now for", stood_s, "s"));
    Transition { condition: Condition::SettingsChanged, change, at, summary, facts }
}

fn words(quantity: Quantity, was: f64, now: f64) -> String {
    if quantity == Quantity::Automatic {
        let mode = if now != 0.0 { "in automatic" } else { "not in automatic" };
        return format!("control {mode}, had not been so");
    }
    let unit = quantity.unit();
    format!("{} {} {unit}, was {} {unit}", quantity.title(), number(now, 2), number(was, 2))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::story::{Story, at};

    const HOUR: i64 = 3600;

    fn settings(s: i64, set: f64, delay: f64) -> Reading {
        Reading::new(at(s)).with(Quantity::SetVoltage, set).with(Quantity::TimeDelay, delay)
    }

    /// Readings each five minutes; what was told of this condition.
    fn run(story: &mut Story, hours: std::ops::Range<i64>, reading: impl Fn(i64) -> Reading) -> Vec<String> {
        let lines =
            (hours.start * HOUR..hours.end * HOUR).step_by(300).flat_map(|s| story.observe(&reading(s)));
        lines.filter(|line| line.contains("settings_changed")).collect()
    }

    #[test]
    fn a_new_set_voltage_is_told_with_old_and_new_and_accepted_after_three_days() {
        let mut story = Story::common();
        assert!(run(&mut story, 0..48, |s| settings(s, 122.0, 30.0)).is_empty());
        let lines = run(&mut story, 48..200, |s| settings(s, 120.0, 45.0));
        assert_eq!(
            lines,
            [
                "173700 settings_changed raised: Set voltage 120 V, was 122 V; Time delay 45 s, was 30 s",
                "432000 settings_changed returned: has stood for 3 d, taken for meant: Set voltage 120 V, was 122 V; \
                 Time delay 45 s, was 30 s",
            ]
        );
        let back = run(&mut story, 200..210, |s| settings(s, 122.0, 45.0));
        assert_eq!(back.len(), 1, "now 120 V is what it was: {back:?}");
    }

    #[test]
    fn set_back_ends_it_at_once_and_a_test_of_ten_minutes_is_nothing() {
        let mut story = Story::common();
        run(&mut story, 0..30, |s| settings(s, 122.0, 30.0));
        let test = |s: i64| settings(s, if s < 30 * HOUR + 600 { 126.0 } else { 122.0 }, 30.0);
        assert!(run(&mut story, 30..40, test).is_empty());
        assert_eq!(run(&mut story, 40..45, |s| settings(s, 126.0, 30.0)).len(), 1);
        assert_eq!(
            run(&mut story, 45..46, |s| settings(s, 122.0, 30.0)),
            ["162000 settings_changed returned: set back to what it was"]
        );
    }

    #[test]
    fn what_has_not_stood_for_a_day_is_not_the_old_one() {
        let mut story = Story::common();
        let lines =
            run(&mut story, 0..100, |s| settings(s, 120.0 + f64::from(u8::from(s / HOUR % 20 < 10)), 30.0));
        assert!(lines.is_empty(), "{lines:?}");
    }

    #[test]
    fn missing_first_reported_and_rounded_are_no_change() {
        let mut story = Story::common();
        run(&mut story, 0..30, |s| Reading::new(at(s)).with(Quantity::SetVoltage, 122.0));
        assert!(run(&mut story, 30..60, |s| settings(s, 122.04, 30.0)).is_empty());
        assert!(run(&mut story, 60..70, |s| Reading::new(at(s))).is_empty());
        // and from then on the delay is watched too
        assert_eq!(run(&mut story, 70..80, |s| settings(s, 122.0, 60.0)).len(), 1);
    }

    #[test]
    fn the_mode_counts_where_it_is_wanted() {
        let mode = |s: i64, automatic: bool| {
            settings(s, 122.0, 30.0).with(Quantity::Automatic, f64::from(u8::from(automatic)))
        };
        let told = |wanted: f64| {
            let mut story = Story::common();
            story.set(Condition::SettingsChanged, "mode", wanted);
            run(&mut story, 0..60, |s| mode(s, s < 30 * HOUR))
        };
        assert!(told(0.0).is_empty());
        assert_eq!(told(1.0), ["108900 settings_changed raised: control not in automatic, had not been so"]);
    }

    #[test]
    fn its_memory_is_small() {
        let mut story = Story::common();
        run(&mut story, 0..48, |s| {
            settings(s, 122.0, 30.0)
                .with(Quantity::Bandwidth, 2.0)
                .with(Quantity::LdcResistance, 3.5)
                .with(Quantity::LdcReactance, 7.5)
        });
        let mut alone = SettingsChanged { was: Some([Some(122.5); COUNT]), ..SettingsChanged::default() };
        alone.now = [Some(122.5); COUNT];
        alone.since = Some(at(0));
        assert!(
            serde_json::to_string(&alone).unwrap().len() < 200,
            "{}",
            serde_json::to_string(&alone).unwrap()
        );
        assert!(story.stored().len() < 3000);
    }
}
