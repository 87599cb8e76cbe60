//! All conditions of one regulator, fed with its readings in order of time.

use serde::{Deserialize, Serialize};

use super::{
    Beside, Condition, Settings, Transition, blocked_or_manual_too_long, cloud_driven_tapping,
    counter_anomaly, excess_tapping, exercise_due, harmonic_distortion, hunting, mechanism_suspect,
    not_automatic, off_standard, overload, packed::is_default, readings_stale, reverse_power, runaway,
    settings_changed, slipped_tap_report, tap_limit, voltage_range, wear_limit,
};
use crate::{
    Nameplate, Reading, Timestamp,
    alarms::chatter::Chatter,
    audit::{self, TapAudit},
};

/// One regulator as its conditions see it: nameplate and settings, worked out once.
#[derive(Debug, Clone, PartialEq)]
pub struct Unit {
    excess_tapping: excess_tapping::Limits,
    reverse_power: reverse_power::Limits,
    range_a: voltage_range::Limits,
    range_b: voltage_range::Limits,
    tap_limit: tap_limit::Limits,
    not_automatic: not_automatic::Limits,
    readings_stale: readings_stale::Limits,
    settings_changed: settings_changed::Limits,
    off_standard: off_standard::Limits,
    blocked_or_manual_too_long: blocked_or_manual_too_long::Limits,
    /// Where only one condition is wanted, in a backtest.
    only: Option<Condition>,
    runaway: runaway::Limits,
    slipped_tap_report: slipped_tap_report::Limits,
    hunting: hunting::Limits,
    cloud_driven_tapping: cloud_driven_tapping::Limits,
    mechanism_suspect: mechanism_suspect::Limits,
    exercise_due: exercise_due::Limits,
    wear_limit: wear_limit::Limits,
    overload: overload::Limits,
    counter_anomaly: counter_anomaly::Limits,
    harmonic_distortion: harmonic_distortion::Limits,
}

impl Unit {
    /// Works out the limits of a regulator.
    #[must_use]
    pub fn new(nameplate: &Nameplate, settings: &Settings) -> Self {
        let range = |condition| voltage_range::Limits::new(condition, nameplate, settings);
        Self {
            excess_tapping: excess_tapping::Limits::new(nameplate, settings),
            reverse_power: reverse_power::Limits::new(nameplate, settings),
            range_a: range(Condition::VoltageRangeA),
            range_b: range(Condition::VoltageRangeB),
            tap_limit: tap_limit::Limits::new(nameplate, settings),
            not_automatic: not_automatic::Limits::new(settings),
            readings_stale: readings_stale::Limits::new(nameplate, settings),
            settings_changed: settings_changed::Limits::new(settings),
            off_standard: off_standard::Limits::new(nameplate, settings),
            blocked_or_manual_too_long: blocked_or_manual_too_long::Limits::new(settings),
            only: None,
            runaway: runaway::Limits::new(nameplate, settings),
            slipped_tap_report: slipped_tap_report::Limits::new(nameplate, settings),
            hunting: hunting::Limits::new(nameplate, settings),
            cloud_driven_tapping: cloud_driven_tapping::Limits::new(nameplate, settings),
            mechanism_suspect: mechanism_suspect::Limits::new(nameplate, settings),
            exercise_due: exercise_due::Limits::new(nameplate, settings),
            wear_limit: wear_limit::Limits::new(nameplate, settings),
            overload: overload::Limits::new(nameplate, settings),
            counter_anomaly: counter_anomaly::Limits::new(nameplate, settings),
            harmonic_distortion: harmonic_distortion::Limits::new(nameplate, settings),
        }
    }

    /// The same, of which one condition alone is judged: for a backtest, which then costs that condition and no more.
    #[must_use]
    pub fn only(condition: Condition, nameplate: &Nameplate, settings: &Settings) -> Self {
        Self { only: Some(condition), ..Self::new(nameplate, settings) }
    }

    /// What its tap audit is judged by.
    #[must_use]
    pub const fn audit_limits(&self) -> &audit::Limits {
        self.slipped_tap_report.audit()
    }

    /// Whether this condition is judged.
    fn judges(&self, condition: Condition) -> bool {
        self.only.is_none_or(|only| only == condition)
    }
}

/// What the conditions of one regulator remember. Stored as JSON text between passes; fields that a newer or older program
/// wrote and this one does not know are ignored, missing ones start empty.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct RegulatorDetector {
    last_seen: Option<Timestamp>,
    late: u64,
    ahead: u64,
    #[serde(skip_serializing_if = "is_default")]
    excess_tapping: excess_tapping::ExcessTapping,
    #[serde(skip_serializing_if = "is_default")]
    reverse_power: reverse_power::ReversePower,
    #[serde(skip_serializing_if = "is_default")]
    range_a: voltage_range::VoltageRange,
    #[serde(skip_serializing_if = "is_default")]
    range_b: voltage_range::VoltageRange,
    #[serde(skip_serializing_if = "is_default")]
    tap_limit: tap_limit::TapLimit,
    #[serde(skip_serializing_if = "is_default")]
    not_automatic: not_automatic::NotAutomatic,
    #[serde(skip_serializing_if = "is_default")]
    readings_stale: readings_stale::ReadingsStale,
    #[serde(skip_serializing_if = "is_default")]
    settings_changed: settings_changed::SettingsChanged,
    #[serde(skip_serializing_if = "is_default")]
    off_standard: off_standard::OffStandard,
    #[serde(skip_serializing_if = "is_default")]
    blocked_or_manual_too_long: blocked_or_manual_too_long::BlockedOrManualTooLong,
    #[serde(skip_serializing_if = "is_default")]
    runaway: runaway::Runaway,
    #[serde(skip_serializing_if = "is_default")]
    slipped_tap_report: slipped_tap_report::SlippedTapReport,
    #[serde(skip_serializing_if = "is_default")]
    hunting: hunting::Hunting,
    #[serde(skip_serializing_if = "is_default")]
    cloud_driven_tapping: cloud_driven_tapping::CloudDrivenTapping,
    #[serde(skip_serializing_if = "is_default")]
    mechanism_suspect: mechanism_suspect::MechanismSuspect,
    #[serde(skip_serializing_if = "is_default")]
    exercise_due: exercise_due::ExerciseDue,
    #[serde(skip_serializing_if = "is_default")]
    wear_limit: wear_limit::WearLimit,
    #[serde(skip_serializing_if = "is_default")]
    overload: overload::Overload,
    #[serde(skip_serializing_if = "is_default")]
    counter_anomaly: counter_anomaly::CounterAnomaly,
    #[serde(skip_serializing_if = "is_default")]
    harmonic_distortion: harmonic_distortion::HarmonicDistortion,
    #[serde(skip_serializing_if = "Chatter::is_empty")]
    chatter: Chatter,
}

impl RegulatorDetector {
    /// Remembers nothing yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Its tap audit, which remembers all that was judged since it began.
    #[must_use]
    pub const fn tap_audit(&self) -> &TapAudit {
        self.slipped_tap_report.audit()
    }

    /// Whether an alarm of this condition is held as chattering (see [`crate::alarms::chatter`]).
    #[must_use]
    pub fn chatters(&self, condition: Condition) -> bool {
        self.chatter.holds(condition)
    }

    /// When the last judged reading was measured.
    #[must_use]
    pub const fn last_seen(&self) -> Option<Timestamp> {
        self.last_seen
    }

    /// Readings that came after a later one had been judged; stored, not judged.
    #[must_use]
    pub const fn late(&self) -> u64 {
        self.late
    }

    /// Readings measured, by their own word, after the horizon; stored, not judged.
    #[must_use]
    pub const fn ahead(&self) -> u64 {
        self.ahead
    }

    /// Judges one reading by itself. One that is not later than the last is only counted.
    pub fn observe(&mut self, unit: &Unit, reading: &Reading) -> Vec<Transition> {
        self.observe_beside(unit, reading, &Beside::default())
    }

    /// The same with what is known of its neighbours at about that time.
    pub fn observe_beside(&mut self, unit: &Unit, reading: &Reading, beside: &Beside) -> Vec<Transition> {
        let mut out = vec![];
        if self.last_seen.is_some_and(|last| reading.measured_at <= last) {
            self.late += 1;
            return out;
        }
        self.last_seen = Some(reading.measured_at);
        self.judge(unit, reading, beside, &mut out);
        if let Some(only) = unit.only {
            out.retain(|transition| transition.condition == only);
        }
        self.chatter.pass(reading.measured_at, &mut out);
        out
    }

    /// Every condition, each behind its own [`Unit::judges`], so that a backtest of one pays for that one.
    fn judge(&mut self, unit: &Unit, reading: &Reading, beside: &Beside, out: &mut Vec<Transition>) {
        macro_rules! judge {
            ($($condition:ident $field:ident;)+) => {
                $(if unit.judges(Condition::$condition) {
                    self.$field.observe(&unit.$field, reading, out);
                })+
            };
        }
        if unit.judges(Condition::ReadingsStale) {
            self.readings_stale.seen(&unit.readings_stale, reading.measured_at, out);
        }
        if unit.judges(Condition::SlippedTapReport) {
            self.slipped_tap_report.observe(&unit.slipped_tap_report, reading, beside.source.as_ref(), out);
        }
        if unit.judges(Condition::MechanismSuspect) {
            self.mechanism_suspect.observe(&unit.mechanism_suspect, reading, beside.ganged.as_ref(), out);
        }
        judge! {
            ExcessTapping excess_tapping;
            ReversePower reverse_power;
            VoltageRangeA range_a;
            VoltageRangeB range_b;
            TapLimit tap_limit;
            NotAutomatic not_automatic;
            SettingsChanged settings_changed;
            OffStandard off_standard;
            BlockedOrManualTooLong blocked_or_manual_too_long;
            Runaway runaway;
            Hunting hunting;
            CloudDrivenTapping cloud_driven_tapping;
            ExerciseDue exercise_due;
            WearLimit wear_limit;
            Overload overload;
            CounterAnomaly counter_anomaly;
            HarmonicDistortion harmonic_distortion;
        }
    }

    /// The same for a reading that was known at `horizon`, by a clock other than the one that measured it (and some slack). A
    /// reading from beyond the horizon is not judged but counted: the measuring clock is wrong.
    pub fn observe_known(
        &mut self,
        unit: &Unit,
        reading: &Reading,
        beside: &Beside,
        horizon: Timestamp,
    ) -> Vec<Transition> {
        if reading.measured_at > horizon {
            self.ahead += 1;
            return vec![];
        }
        self.heed_horizon(horizon);
        self.observe_beside(unit, reading, beside)
    }

    /// Undoes what a clock did that had jumped ahead and is right again: if the last judged reading lies beyond the horizon, its
    /// time was wrong. Then nothing pending and no count is kept; conditions that are true stay so until there is
    /// evidence against them. Returns whether that was so.
    pub fn heed_horizon(&mut self, horizon: Timestamp) -> bool {
        if self.last_seen.is_none_or(|last| last <= horizon) {
            return false;
        }
        self.last_seen = None;
        self.excess_tapping.forget();
        self.reverse_power.excursion.hold.forget_pending();
        for range in [&mut self.range_a, &mut self.range_b] {
            range.low.hold.forget_pending();
            range.high.hold.forget_pending();
        }
        self.tap_limit.hold.forget_pending();
        self.not_automatic.hold.forget_pending();
        self.settings_changed.forget_pending();
        self.off_standard.hold.forget_pending();
        self.blocked_or_manual_too_long.hold.forget_pending();
        self.readings_stale.forget();
        self.runaway.forget_pending();
        self.slipped_tap_report.forget_pending();
        self.hunting.forget();
        self.cloud_driven_tapping.forget();
        self.mechanism_suspect.forget_pending();
        self.exercise_due.forget();
        self.wear_limit.forget();
        self.overload.excursion.hold.forget_pending();
        self.counter_anomaly.forget();
        self.chatter.forget(horizon);
        self.harmonic_distortion.forget_pending();
        true
    }

    /// The poller process that polls it began at `session`; time before that, with no reading, is nobody's silence. Returns
    /// whether that is news.
    pub fn polled_since(&mut self, session: Timestamp) -> bool {
        self.readings_stale.polled_since(session)
    }

    /// The word of the poller that polls it, at its watermark: everything measured before has been observed, and the endpoint
    /// answers, or has not since `failing_since`. Deadlines passed on the way are told with the instant they passed at. Time
    /// while the endpoint does not answer is no quiet that ends a chattering alarm.
    pub fn report(
        &mut self,
        unit: &Unit,
        failing_since: Option<Timestamp>,
        watermark: Timestamp,
    ) -> Vec<Transition> {
        let mut out = vec![];
        if unit.judges(Condition::ReadingsStale) {
            self.readings_stale.report(&unit.readings_stale, failing_since, watermark, &mut out);
        }
        let mut told = vec![];
        self.chatter.take(out, &mut told);
        self.chatter.release(heard_until(failing_since, watermark), &mut told);
        told
    }

    /// Whether [`RegulatorDetector::report`] with the same arguments would change anything.
    #[must_use]
    pub fn needs_report(&self, unit: &Unit, failing_since: Option<Timestamp>, watermark: Timestamp) -> bool {
        let stale = unit.judges(Condition::ReadingsStale)
            && self.readings_stale.needs_report(&unit.readings_stale, failing_since, watermark);
        stale || self.chatter.is_due(heard_until(failing_since, watermark))
    }

    /// Everything measured before `to` has been observed. Looking more often between events gives the same transitions, only
    /// sooner.
    pub fn advance(&mut self, unit: &Unit, to: Timestamp) -> Vec<Transition> {
        let mut out = vec![];
        if unit.judges(Condition::ReadingsStale) {
            self.readings_stale.advance(&unit.readings_stale, to, &mut out);
        }
        let mut told = vec![];
        self.chatter.take(out, &mut told);
        told
    }
}

/// Up to when a regulator would have been heard, had it had anything to say.
fn heard_until(failing_since: Option<Timestamp>, watermark: Timestamp) -> Timestamp {
    failing_since.map_or(watermark, |since| since.min(watermark))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        Quantity,
        conditions::story::{Story, at, told},
    };

    fn voltage(s: i64, volts: f64) -> Reading {
        Reading::new(at(s)).with(Quantity::LoadVoltage, volts)
    }

    #[test]
    fn a_late_reading_is_counted_and_changes_nothing_else() {
        let mut story = Story::common();
        story.observe(&voltage(0, 113.0));
        story.observe(&voltage(200, 113.0));
        assert!(story.observe(&voltage(100, 120.0)).is_empty());
        assert!(story.observe(&voltage(200, 120.0)).is_empty());
        assert_eq!(story.detector.late(), 2);
        assert_eq!(story.observe(&voltage(300, 113.0)).len(), 1, "120 V came too late to count");
    }

    #[test]
    fn a_clock_that_jumps_ahead_is_not_believed() {
        let unit = Unit::new(&Nameplate::common(), &Settings::default());
        let mut d = RegulatorDetector::new();
        d.observe_known(&unit, &voltage(0, 113.0), &Beside::default(), at(60));
        assert!(d.observe_known(&unit, &voltage(30_000_000, 113.0), &Beside::default(), at(70)).is_empty());
        assert_eq!((d.ahead(), d.last_seen()), (1, Some(at(0))));
    }

    #[test]
    fn when_every_clock_had_jumped_ahead_it_recovers_once_they_are_right() {
        let unit = Unit::new(&Nameplate::common(), &Settings::default());
        let mut d = RegulatorDetector::new();
        let year = 31_536_000;
        for s in (0..=310).step_by(10) {
            d.observe_known(&unit, &voltage(year + s, 113.0), &Beside::default(), at(year + s));
        }
        // the clock is right again; the alarm still stands, and returns on evidence
        let mut lines = vec![];
        for s in (0..=130).step_by(10) {
            lines.extend(told(d.observe_known(&unit, &voltage(s, 120.0), &Beside::default(), at(s + 1))));
        }
        assert_eq!(lines.len(), 1, "{lines:?}");
        assert!(lines[0].starts_with("120 voltage_range_a returned"));
        assert_eq!((d.late(), d.ahead()), (0, 0));
        // and silence is noticed as ever
        assert_eq!(told(d.report(&unit, None, at(1000))).len(), 1);
    }

    /// Five minutes below range A and five minutes within it, over and over: eight alarms in as many sixths of an hour.
    fn wander(story: &mut Story) -> Vec<String> {
        let of = |s: i64| if s % 600 <= 300 { 113.0 } else { 120.0 };
        (0..4800).step_by(10).flat_map(|s| story.observe(&voltage(s, of(s)))).collect()
    }

    #[test]
    fn a_voltage_that_comes_and_goes_is_one_alarm_until_it_has_been_quiet() {
        let mut story = Story::common();
        let told = wander(&mut story);
        assert_eq!(told.len(), 7, "three alarms and the fourth raise: {told:?}");
        assert!(told[6].starts_with("2100 voltage_range_a raised: load voltage 113.0 V"), "{told:?}");
        assert!(told[6].ends_with("chattering: 4th time within an hour, held until quiet for 30 min"));
        let rest: Vec<_> = (4800..7000).step_by(10).flat_map(|s| story.observe(&voltage(s, 120.0))).collect();
        assert_eq!(rest.len(), 1, "{rest:?}");
        assert!(rest[0].starts_with("4630 voltage_range_a returned"), "the last real return: {rest:?}");
        assert!(rest[0].ends_with("raised 4 more times while it chattered, quiet for 30 min"), "{rest:?}");
        (7000..9000).step_by(10).for_each(|s| drop(story.observe(&voltage(s, 120.0))));
        assert!(!story.stored().contains("chatter"), "and nothing is kept");
    }

    #[test]
    fn time_while_the_endpoint_does_not_answer_is_no_quiet() {
        let mut story = Story::common();
        wander(&mut story);
        assert!(story.report(Some(4800), 9000).is_empty(), "nobody can know whether it came back");
        let told = story.report(None, 9100);
        assert_eq!(told.len(), 1, "{told:?}");
        assert!(told[0].starts_with("4630 voltage_range_a returned"), "{told:?}");
    }

    /// A month of cloudy days a minute apart, every quantity reported, two hundred operations a day that undo each other, its counter at
    /// odds with its taps: all that it remembers is about 3 kB, a fifth of it the log of operations.
    #[test]
    fn what_a_busy_unit_remembers_is_short() {
        let unit = Unit::new(&Nameplate::common(), &Settings::default());
        let mut d = RegulatorDetector::new();
        let (mut tap, mut count) = (0_i32, 40_000);
        for minute in 0..33 * 1440_i64 {
            let hour = minute / 60 % 24;
            if (7..19).contains(&hour) && minute % 18 < 5 {
                tap = if minute % 2 == 0 { 1 } else { 0 };
                count += 1;
            }
            let cloud = f64::from(u8::from(minute % 9 < 4 && (7..19).contains(&hour)));
            let reading = Quantity::ALL.iter().fold(
                Reading::new(at(60 * minute) + chrono::TimeDelta::milliseconds(minute * 7 % 1000)),
                |reading, quantity| match quantity {
                    Quantity::LoadVoltage | Quantity::SourceVoltage => {
                        reading.with(*quantity, 121.3 + 0.01 * cloud)
                    }
                    Quantity::RealPower => reading.with(*quantity, 812.7 - 700.0 * cloud),
                    Quantity::ReactivePower => reading.with(*quantity, 113.9),
                    Quantity::Current => reading.with(*quantity, 104.2 - 80.0 * cloud),
                    Quantity::Tap => reading.with(*quantity, f64::from(tap)),
                    Quantity::Operations => reading.with(*quantity, f64::from(count)),
                    Quantity::Automatic => reading.with(*quantity, 1.0),
                    Quantity::SetVoltage => reading.with(*quantity, 121.0),
                    Quantity::Bandwidth => reading.with(*quantity, 2.0),
                    Quantity::TimeDelay => reading.with(*quantity, 30.0),
                    _ => reading.with(*quantity, 0.0),
                },
            );
            d.observe(&unit, &reading);
        }
        let stored = serde_json::to_value(&d).unwrap();
        let sizes = || stored.as_object().unwrap().iter().map(|(name, part)| (name, part.to_string().len()));
        let text = serde_json::to_string(&d).unwrap();
        assert_eq!(serde_json::from_str::<RegulatorDetector>(&text).unwrap().last_seen(), d.last_seen());
        assert!(stored["excess_tapping"].to_string().len() < 600);
        assert!(text.len() < 3200, "{}: {:?}; {text}", text.len(), sizes().collect::<Vec<_>>());
    }

    #[test]
    fn what_an_older_or_newer_program_wrote_can_be_read() {
        let old: RegulatorDetector = serde_json::from_str(r#"{"late":3,"no_such_thing":{"a":1}}"#).unwrap();
        assert_eq!(old.late(), 3);
        let empty: RegulatorDetector = serde_json::from_str("{}").unwrap();
        assert_eq!(empty, RegulatorDetector::new());
    }
}
