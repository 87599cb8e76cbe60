//! Swings of power: how often it has turned by more than a threshold.
//!
//! A turn counts once power has come back from its last extreme by the threshold (the turning-point filter of rainflow counting,
//! ASTM E1049). Broken clouds over solar make many turns, both ways, for as long as the sun is up; a load curve makes two a day.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::sun::Daylight;
use crate::Timestamp;

/// Turns are kept this long, s, and at most so many.
const KEPT_S: f64 = 3600.0;
const KEPT: usize = 240;
/// Seconds over which what was learnt of day and night loses half its weight: a week.
const HALF_LIFE_S: f64 = 7.0 * 86_400.0;
/// Two readings further apart say nothing of what was between, s.
const GAP_S: f64 = 300.0;

/// Turns an hour in the dark and in the sun: whether the swings of a place are the sun's. Kept between runs.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct DayAndNight {
    dark_s: f64,
    dark_turns: f64,
    sun_s: f64,
    sun_turns: f64,
    /// Sums over changes of load in the dark: real squared, real times reactive.
    dark_xx: f64,
    dark_xy: f64,
}

/// Reactive over real power of a load, where the nights have not told it: a power factor of about 0.93 (common practice).
const USUAL_REACTIVE: f64 = 0.4;
/// Sum of squared changes, per unit of rating, before the nights' word is taken.
const ENOUGH_XX: f64 = 0.01;

impl DayAndNight {
    /// Turns an hour in the dark, once four hours of it have been seen.
    #[must_use]
    pub fn dark_per_hour(&self) -> Option<f64> {
        (self.dark_s >= 4.0 * 3600.0).then(|| self.dark_turns * 3600.0 / self.dark_s)
    }

    /// How much reactive power the load changes with its real power, by the nights' changes.
    #[must_use]
    pub fn load_reactive(&self) -> f64 {
        if self.dark_xx < ENOUGH_XX { USUAL_REACTIVE } else { self.dark_xy / self.dark_xx }
    }

    /// Takes a change of load that came in the dark, per unit of rating.
    pub(super) fn dark_change(&mut self, real: f64, reactive: f64) {
        self.dark_xx = self.dark_xx * 0.999 + real * real;
        self.dark_xy = self.dark_xy * 0.999 + real * reactive;
    }

    fn pass(&mut self, seconds: f64, daylight: Option<Daylight>, turned: bool) {
        let keep = (-seconds * std::f64::consts::LN_2 / HALF_LIFE_S).exp();
        let turn = f64::from(u8::from(turned));
        match daylight {
            Some(Daylight::Dark) => {
                self.dark_s = self.dark_s * keep + seconds;
                self.dark_turns = self.dark_turns * keep + turn;
            }
            Some(Daylight::Sun) => {
                self.sun_s = self.sun_s * keep + seconds;
                self.sun_turns = self.sun_turns * keep + turn;
            }
            _ => {}
        }
    }
}

/// Turning points of one regulator's power.
#[derive(Debug, Clone, Default)]
pub(super) struct Swings {
    last: Option<Timestamp>,
    /// The extreme since the last turn, and the way that power has been going: 1 up, -1 down, 0 not known yet.
    extreme: Option<f64>,
    way: i8,
    /// Where it turned, and the way it went after.
    turns: VecDeque<(Timestamp, i8)>,
    pub(super) learned: DayAndNight,
}

impl Swings {
    /// Takes the next value of power (or signed current).
    pub(super) fn observe(&mut self, at: Timestamp, value: f64, threshold: f64, daylight: Option<Daylight>) {
        let turned = self.turn(at, value, threshold);
        if let Some(last) = self.last.replace(at) {
            let passed = crate::seconds(last, at);
            if passed <= GAP_S {
                self.learned.pass(passed, daylight, turned);
            }
        }
    }

    fn turn(&mut self, at: Timestamp, value: f64, threshold: f64) -> bool {
        let Some(extreme) = self.extreme else {
            self.extreme = Some(value);
            return false;
        };
        let change = value - extreme;
        let on = f64::from(self.way) * change;
        if self.way != 0 && on >= 0.0 {
            self.extreme = Some(value);
            return false;
        }
        if change.abs() < threshold {
            return false;
        }
        self.way = if change > 0.0 { 1 } else { -1 };
        self.extreme = Some(value);
        self.turns.push_back((at, self.way));
        let old = |(first, _): &(Timestamp, i8)| crate::seconds(*first, at) > KEPT_S;
        while self.turns.len() > KEPT || self.turns.front().is_some_and(old) {
            self.turns.pop_front();
        }
        true
    }

    /// Turns up and turns down between two instants.
    pub(super) fn between(&self, from: Timestamp, to: Timestamp) -> (u32, u32) {
        let inside = self.turns.iter().filter(|(at, _)| *at >= from && *at <= to);
        inside.fold((0, 0), |(up, down), (_, way)| if *way > 0 { (up + 1, down) } else { (up, down + 1) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(s: i64) -> Timestamp {
        Timestamp::from_timestamp(1_767_225_600 + s, 0).unwrap()
    }

    /// The worked example of ASTM E1049-85, section 5.4.4 (figure 6; values from memory): peaks and valleys -2, 1, -3, 5, -1, 3, -4,
    /// 4, -2. With no threshold to speak of every one of them is a turn.
    #[test]
    fn every_turning_point_of_the_rainflow_example_is_found() {
        let mut swings = Swings::default();
        for (i, v) in (0..).zip([-2.0, 1.0, -3.0, 5.0, -1.0, 3.0, -4.0, 4.0, -2.0]) {
            swings.observe(at(i * 10), v, 0.5, None);
        }
        let (up, down) = swings.between(at(0), at(1000));
        println!(
            "CHECK | turning points after the first | ASTM E1049-85 fig. 6 (from memory) | 8 | {}",
            up + down
        );
        assert_eq!((up, down), (4, 4));
    }

    #[test]
    fn small_wobbles_are_no_swings() {
        let mut swings = Swings::default();
        for i in 0..360 {
            let wobble = if i % 2 == 0 { 4.0 } else { -4.0 };
            swings.observe(at(i * 10), f64::from(u16::try_from(i).unwrap()) + wobble, 10.0, None);
        }
        let (up, down) = swings.between(at(0), at(10_000));
        assert!(up <= 1 && down == 0, "{up} {down}");
    }
}
