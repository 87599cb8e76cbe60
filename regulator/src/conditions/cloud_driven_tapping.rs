//! Operations that follow fast ramps of power, both ways, for part of the day.
//!
//! A ramp is a change of power by more than its limit within two minutes. An operation follows one when it comes soon after and the way
//! that a ramp asks for: a raise after power has grown (a cloud takes generation away), a lower after it has fallen. True when within 24
//! hours more operations than the limit, and more than a given share of all, followed ramps; with ramps of both signs; and
//! with hours of quiet, as nights have.
//!
//! The readings do not say where the sun stands: a plant that loads and unloads by day looks the same. Without power the
//! current is taken; without both, or before hours of quiet have been seen, it cannot be told, and is not.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Settings, Transition,
    hold::{Delays, Hold},
    packed,
    words::{count, fact, number},
};
use crate::{Nameplate, Quantity, Reading, Timestamp, operations::Moves};

/// A ramp is over within this time, ms.
const RAMP_MS: i64 = 120_000;
/// A value older than this, because readings did not come, is of no use, ms.
const STALE_MS: i64 = 180_000;
const HOUR_MS: i64 = 3_600_000;
/// An hour with at most so many ramps is a quiet one.
const QUIET: u32 = 1;

/// The limits of one regulator.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Limits {
    per_day: f64,
    share: f64,
    ramp: f64,
    follow_s: f64,
    quiet_h: f64,
    delays: Delays,
    modulus: u64,
    kva: f64,
    rated_current_a: f64,
}

impl Limits {
    pub(super) fn new(nameplate: &Nameplate, settings: &Settings) -> Self {
        let get = |name| settings.get(Condition::CloudDrivenTapping, name);
        Self {
            per_day: get("per_day"),
            share: get("share_percent") / 100.0,
            ramp: get("ramp_percent") / 100.0,
            follow_s: get("follow_s"),
            quiet_h: get("quiet_h"),
            delays: Delays { on_s: 0.0, off_s: get("return_delay_h") * 3600.0 },
            modulus: nameplate.counter_modulus,
            kva: (nameplate.rated_voltage_v * nameplate.rated_current_a / 1000.0).max(1.0),
            rated_current_a: nameplate.rated_current_a.max(1.0),
        }
    }
}

/// The state.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct CloudDrivenTapping {
    hold: Hold,
    moves: Moves,
    ramps: Ramps,
    /// The hours of the last day that had readings, oldest first.
    #[serde(with = "packed::hours")]
    hours: VecDeque<Hour>,
}

/// One hour's counts: hour since 1970, operations, of them after ramps, ramps up, ramps down.
#[derive(Debug, Clone, Copy, Default, PartialEq, Deserialize)]
pub(super) struct Hour(pub(super) i64, pub(super) u64, pub(super) u64, pub(super) u32, pub(super) u32);

/// Changes of power against its value a minute or two ago. Times are milliseconds since 1970, which are quick to compare.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
struct Ramps {
    /// Two values, the older at most [`RAMP_MS`] old while readings come.
    anchors: [Option<(i64, f64)>; 2],
    /// End of the last ramp, and its sign.
    last: Option<(i64, i32)>,
}

impl Ramps {
    /// Takes a value per unit of rating; the sign of a ramp that it begins.
    fn observe(&mut self, now: i64, value: f64, least: f64) -> Option<i32> {
        let mut change = 0.0_f64;
        for anchor in &mut self.anchors {
            match *anchor {
                Some((since, _)) if now - since > STALE_MS => *anchor = None,
                Some((_, earlier)) if (value - earlier).abs() > change.abs() => change = value - earlier,
                _ => {}
            }
        }
        if change.abs() < least {
            self.anchor(now, value);
            return None;
        }
        let sign = if change > 0.0 { 1 } else { -1 };
        self.anchors = [Some((now, value)), None];
        let goes_on = self.last.is_some_and(|(end, way)| way == sign && now - end <= RAMP_MS);
        self.last = Some((now, sign));
        (!goes_on).then_some(sign)
    }

    fn anchor(&mut self, now: i64, value: f64) {
        match self.anchors {
            [None, _] => self.anchors[0] = Some((now, value)),
            [Some((older, _)), None] if now - older >= RAMP_MS / 2 => self.anchors[1] = Some((now, value)),
            [Some((older, _)), Some(newer)] if now - older >= RAMP_MS => {
                self.anchors = [Some(newer), Some((now, value))];
            }
            _ => {}
        }
    }

    /// Whether an operation this way comes soon after a ramp that asks for it.
    #[allow(clippy::cast_precision_loss, reason = "spans of minutes")]
    fn asked(&self, now: i64, way: i32, follow_s: f64) -> bool {
        self.last.is_some_and(|(end, sign)| sign == way && (now - end) as f64 <= 1000.0 * follow_s)
    }
}

/// The counts that are judged.
#[derive(Debug, Clone, Copy, Default)]
struct Counts {
    operations: u64,
    following: u64,
    up: u32,
    down: u32,
    quiet_hours: u32,
}

impl Counts {
    fn share(&self) -> f64 {
        if self.operations == 0 { 0.0 } else { count(self.following) / count(self.operations) }
    }

    fn exceeds(&self, limits: &Limits) -> bool {
        let both_ways = 3 * self.up.min(self.down) >= self.up.max(self.down);
        count(self.following) > limits.per_day
            && self.share() >= limits.share
            && both_ways
            && f64::from(self.quiet_hours) >= limits.quiet_h
    }
}

impl CloudDrivenTapping {
    pub(super) fn observe(&mut self, limits: &Limits, reading: &Reading, out: &mut Vec<Transition>) {
        let at = reading.measured_at;
        let now = at.timestamp_millis();
        let moved = self.moves.observe(limits.modulus, reading);
        let load = load(limits, reading);
        if load.is_none() && moved.is_none() {
            return;
        }
        let ramp = load.and_then(|value| self.ramps.observe(now, value, limits.ramp));
        let asked = moved.and_then(|m| m.steps()).map(i32::signum);
        let asked = asked.is_some_and(|way| self.ramps.asked(now, way, limits.follow_s));
        let new_hour = self.hour(now.div_euclid(HOUR_MS));
        if let Some(hour) = self.hours.back_mut() {
            let operations = moved.map_or(0, |m| m.count);
            hour.1 += operations;
            hour.2 += if asked { operations } else { 0 };
            hour.3 += u32::from(ramp == Some(1));
            hour.4 += u32::from(ramp == Some(-1));
        }
        // Counts change with operations, ramps and hours alone; while an end is pending every reading is evidence.
        if moved.is_some() || ramp.is_some() || new_hour || !self.hold.is_idle() {
            self.judge(limits, at, out);
        }
    }

    /// Drops what was learnt under a clock that turned out to be wrong. The alarm stays as it is until there is evidence.
    pub(super) fn forget(&mut self) {
        let mut hold = std::mem::take(&mut self.hold);
        hold.forget_pending();
        *self = Self { hold, ..Self::default() };
    }

    /// Sees that the last hour is this one, counted from 1970; whether it is new.
    fn hour(&mut self, hour: i64) -> bool {
        if self.hours.back().is_some_and(|last| last.0 == hour) {
            return false;
        }
        self.hours.push_back(Hour(hour, 0, 0, 0, 0));
        while self.hours.front().is_some_and(|first| first.0 <= hour - 24) {
            self.hours.pop_front();
        }
        true
    }

    fn counts(&self) -> Counts {
        // The present hour is not over, so it is not a quiet one yet.
        let quiet = self.hours.iter().rev().skip(1).filter(|h| h.3 + h.4 <= QUIET).count();
        let start = Counts { quiet_hours: u32::try_from(quiet).unwrap_or(u32::MAX), ..Counts::default() };
        self.hours.iter().fold(start, |c, h| Counts {
            operations: c.operations + h.1,
            following: c.following + h.2,
            up: c.up + h.3,
            down: c.down + h.4,
            ..c
        })
    }

    fn judge(&mut self, limits: &Limits, at: Timestamp, out: &mut Vec<Transition>) {
        let counts = self.counts();
        let contradicts = counts.exceeds(limits) != self.hold.is_active();
        let Some(change) = self.hold.observe(at, contradicts, limits.delays) else { return };
        let Counts { operations, following, up, down, .. } = counts;
        let summary = match change {
            Change::Raised => format!(
                "{following} of {operations} operations in 24 h followed ramps of power, limit {}; {up} ramps up, {down} down",
                number(limits.per_day, 1)
            ),
            Change::Returned => {
                format!("{following} of {operations} operations in 24 h followed ramps of power")
            }
        };
        let facts = vec![
            fact("Operations in 24 h", count(operations), ""),
            fact("Of them after ramps", count(following), ""),
            fact("Their share", 100.0 * counts.share(), "%"),
            fact("Ramps up", up.into(), ""),
            fact("Ramps down", down.into(), ""),
            fact("Quiet hours", counts.quiet_hours.into(), "h"),
        ];
        out.push(Transition { condition: Condition::CloudDrivenTapping, change, at, summary, facts });
    }
}

/// Power, or current, per unit of what the regulator can carry.
fn load(limits: &Limits, reading: &Reading) -> Option<f64> {
    let by_current = || reading.good(Quantity::Current).map(|a| a / limits.rated_current_a);
    reading.good(Quantity::RealPower).map(|kw| kw / limits.kva).or_else(by_current)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::story::{Story, at};

    /// Readings every 10 s. Between the hours given, power ramps every five minutes by 300 kW of 1669, up and down in turn, over half a
    /// minute, and the tap follows 60 s after each, the way that `taps` says.
    fn days(days: i64, hours: std::ops::Range<i64>, step: f64, taps: i32) -> Vec<String> {
        let mut story = Story::common();
        let mut told = vec![];
        for s in (0..days * 86_400).step_by(10) {
            let daylight = hours.contains(&(s / 3600 % 24));
            let phase = if daylight { s % 600 } else { 0 };
            let ramp = |from: i64| f64::from(i32::try_from((phase - from).clamp(0, 30)).unwrap()) / 30.0;
            let power = 900.0 + step * (ramp(100) - ramp(400));
            let tap = taps * i32::from((190..490).contains(&phase));
            let reading = Reading::new(at(s))
                .with(Quantity::RealPower, power)
                .with(Quantity::Tap, tap.into())
                .with(Quantity::SourceVoltage, if tap == 0 { 122.0 } else { 120.5 });
            told.extend(story.observe(&reading).into_iter().filter(|l| l.contains("cloud")));
        }
        told
    }

    #[test]
    fn a_day_of_clouds_is_told_with_the_21st_operation_and_ends_half_a_day_after_a_calm_one() {
        let told = days(1, 9..17, 300.0, 1);
        assert_eq!(told.len(), 1, "{told:?}");
        // two an each ten minutes from 09:00 on, the 21st 190 s into the eleventh
        assert!(
            told[0]
                .starts_with("38590 cloud_driven_tapping raised: 21 of 21 operations in 24 h followed ramps"),
            "{told:?}"
        );
        assert_eq!(days(4, 9..17, 300.0, 1).len(), 1, "day after day it stands");
    }

    #[test]
    fn small_ramps_and_taps_the_other_way_are_not_clouds() {
        assert!(days(2, 9..17, 75.0, 1).is_empty());
        assert!(days(2, 9..17, 300.0, -1).is_empty(), "a raise when power has fallen");
    }

    #[test]
    fn a_plant_that_swings_day_and_night_is_not_clouds() {
        assert!(days(3, 0..24, 300.0, 1).is_empty());
        assert!(days(3, 0..20, 300.0, 1).is_empty(), "four quiet hours are not a night");
    }

    #[test]
    fn it_is_not_told_before_hours_of_quiet_were_seen() {
        // begins at midnight of the story with ramps: nobody knows yet how the night is
        let told = days(1, 0..12, 300.0, 1);
        assert_eq!(told.len(), 1);
        let hour = told[0].split(' ').next().unwrap().parse::<i64>().unwrap() / 3600;
        assert_eq!(hour, 18, "twelve hours of ramps, six of quiet: {told:?}");
    }

    #[test]
    fn what_is_stored_is_small() {
        let mut state = CloudDrivenTapping::default();
        let limits = Limits::new(&Nameplate::common(), &Settings::default());
        let mut out = vec![];
        for s in (0..200_000).step_by(60) {
            let power = if s / 300 % 2 == 0 { 500.0 } else { 900.0 };
            state.observe(&limits, &Reading::new(at(s)).with(Quantity::RealPower, power), &mut out);
        }
        let text = serde_json::to_string(&state).unwrap();
        assert!(text.len() < 900, "{}: {text}", text.len());
    }
}
