//! More operations in an hour or a day than the limits, or than the unit's own baseline.
//!
//! Operations come from the control's counter, through rollover and restart; a jump counts none (see [`crate::counter`]). They
//! are logged by the minute for a day, and by the day for thirty days. A stretch without counter readings has its operations
//! spread evenly over it, so that what happened in six hours never looks like the work of one minute.
//!
//! True as soon as one count exceeds its limit. True no longer when for the return delay (half a day by default) no reading has
//! shown a count above its limit. So bursts of one day are one alarm, a day within the limits ends it overnight, and the next
//! day of bursts is news; a unit that hovers at a limit is told of at most once in that time.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Settings, Transition,
    hold::{Delays, Hold, seconds},
    packed,
    words::{count, fact, number},
};
use crate::{Nameplate, Quantity, Reading, Timestamp, counter};

const MINUTES_A_DAY: i64 = 1440;
/// The days that make the baseline, besides the present one.
const BASELINE_DAYS: i64 = 30;
/// Time covered by counters before the baseline speaks: seven days, less an hour for a poll that came late.
const LEAST_COVERED_S: f64 = 7.0 * 86_400.0 - 3600.0;

/// The limits of one regulator.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Limits {
    per_hour: f64,
    per_day: f64,
    baseline_factor: f64,
    baseline_least: f64,
    delays: Delays,
    modulus: u64,
}

impl Limits {
    pub(super) fn new(nameplate: &Nameplate, settings: &Settings) -> Self {
        let get = |name| settings.get(Condition::ExcessTapping, name);
        Self {
            per_hour: get("per_hour"),
            per_day: get("per_day"),
            baseline_factor: get("baseline_factor"),
            baseline_least: get("baseline_least"),
            delays: Delays { on_s: 0.0, off_s: get("return_delay_h") * 3600.0 },
            modulus: nameplate.counter_modulus,
        }
    }
}

/// The state.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct ExcessTapping {
    hold: Hold,
    last: Option<(Timestamp, u64)>,
    /// (minute since 1970, operations in it), of the last 24 hours, oldest first; minutes without any are left out.
    #[serde(with = "packed::minutes")]
    minutes: VecDeque<(i64, u64)>,
    /// Sum of `minutes`.
    in_day: u64,
    /// The last 30 days that had readings and the present one, oldest first.
    #[serde(with = "packed::days")]
    days: VecDeque<Day>,
    /// What the last reading came to; not stored, worked out anew after loading.
    #[serde(skip)]
    judged: Option<Judged>,
}

/// Whether a limit was exceeded, and by which limits. Counts go by the minute, so within one, and without an operation, it stays.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Judged {
    exceeds: bool,
    minute: i64,
    by: [f64; 4],
}

/// Operations of one day (UTC), and the time that counters covered.
#[derive(Debug, Clone, Copy, Default, PartialEq, Deserialize)]
#[serde(default)]
pub(super) struct Day {
    pub(super) day: i64,
    pub(super) operations: u64,
    /// To the millisecond, of a day that is over to the second, so that it is written short.
    pub(super) covered_s: f64,
}

/// The counts that are judged.
#[derive(Debug, Clone, Copy)]
struct Counts {
    hour: u64,
    day: u64,
    /// Mean operations a day of the days before the present one, once there is enough of it.
    baseline: Option<f64>,
}

impl ExcessTapping {
    pub(super) fn observe(&mut self, limits: &Limits, reading: &Reading, out: &mut Vec<Transition>) {
        let Some(counter) = reading.good(Quantity::Operations).and_then(whole) else { return };
        let at = reading.measured_at;
        let now = minute(at);
        let mut quiet = false;
        if let Some((earlier_at, earlier)) = self.last.replace((at, counter)) {
            let elapsed_s = seconds(earlier_at, at);
            quiet = earlier == counter;
            match counter::step(earlier, counter, limits.modulus, elapsed_s) {
                counter::Step::Jumped => {}
                step => self.count(earlier_at, now, elapsed_s, step.operations()),
            }
        }
        let exceeds = self.exceeds(limits, now, quiet);
        if let Some(change) = self.hold.observe(at, exceeds != self.hold.is_active(), limits.delays) {
            out.push(self.counts(now).transition(change, at, limits));
        }
    }

    /// Whether a limit is exceeded; as at the last reading where nothing has happened since, in the same minute.
    fn exceeds(&mut self, limits: &Limits, now: i64, quiet: bool) -> bool {
        let by = [limits.per_hour, limits.per_day, limits.baseline_factor, limits.baseline_least];
        if let Some(judged) = self.judged.filter(|judged| quiet && judged.minute == now && judged.by == by) {
            return judged.exceeds;
        }
        self.expire(now);
        let exceeds = self.counts(now).exceeds(limits).contains(&true);
        self.judged = Some(Judged { exceeds, minute: now, by });
        exceeds
    }

    /// Drops what was learnt under a clock that turned out to be wrong. The alarm stays as it is until there is evidence.
    pub(super) fn forget(&mut self) {
        let mut hold = std::mem::take(&mut self.hold);
        hold.forget_pending();
        *self = Self { hold, ..Self::default() };
    }

    /// So many operations after `from`, up to this minute.
    fn count(&mut self, from: Timestamp, now: i64, elapsed_s: f64, operations: u64) {
        let today = day(now);
        if self.days.back().is_none_or(|last| last.day != today) {
            if let Some(closed) = self.days.back_mut() {
                closed.covered_s = closed.covered_s.round();
            }
            self.days.push_back(Day { day: today, ..Day::default() });
        }
        if let Some(last) = self.days.back_mut() {
            last.operations += operations;
            last.covered_s = ((last.covered_s + elapsed_s) * 1000.0).round() / 1000.0;
        }
        if operations > 0 {
            self.log(minute(from), now, operations);
        }
    }

    /// Spreads operations evenly over the minutes after `from` up to `to`, keeping those of the last day.
    fn log(&mut self, from: i64, to: i64, operations: u64) {
        let span = (to - from).max(1);
        let share = |minutes: i64| {
            u128::from(operations) * u128::from(minutes.unsigned_abs()) / u128::from(span.unsigned_abs())
        };
        for i in (span - MINUTES_A_DAY).max(0)..span {
            let here = u64::try_from(share(i + 1) - share(i)).unwrap_or(u64::MAX);
            if here > 0 {
                self.add(to - span + i + 1, here);
            }
        }
    }

    fn add(&mut self, minute: i64, operations: u64) {
        self.in_day += operations;
        match self.minutes.back_mut() {
            Some((last, n)) if *last >= minute => *n += operations,
            _ => self.minutes.push_back((minute, operations)),
        }
    }

    fn expire(&mut self, now: i64) {
        while let Some(&(minute, operations)) = self.minutes.front()
            && minute <= now - MINUTES_A_DAY
        {
            self.minutes.pop_front();
            self.in_day -= operations;
        }
        while self.days.front().is_some_and(|first| first.day < day(now) - BASELINE_DAYS) {
            self.days.pop_front();
        }
    }

    fn counts(&self, now: i64) -> Counts {
        let hour_ago = now - 60;
        let hour =
            self.minutes.iter().rev().take_while(|(minute, _)| *minute > hour_ago).map(|(_, n)| n).sum();
        let today = day(now);
        let closed = self.days.iter().filter(|d| d.day < today);
        let (operations, covered_s) = closed.fold((0, 0.0), |(n, s), d| (n + d.operations, s + d.covered_s));
        let baseline = (covered_s >= LEAST_COVERED_S).then(|| count(operations) / (covered_s / 86_400.0));
        Counts { hour, day: self.in_day, baseline }
    }
}

impl Counts {
    /// Whether each limit is exceeded: an hour's, a day's, that by the baseline.
    fn exceeds(&self, limits: &Limits) -> [bool; 3] {
        let (hour, day) = (count(self.hour), count(self.day));
        let by_baseline = self
            .baseline
            .is_some_and(|mean| day >= limits.baseline_least && day > mean * limits.baseline_factor);
        [hour > limits.per_hour, day > limits.per_day, by_baseline]
    }

    /// The limits exceeded, in words.
    fn exceeded(&self, limits: &Limits) -> String {
        let words = [
            format!("{} operations in an hour, limit {}", self.hour, number(limits.per_hour, 1)),
            format!("{} operations in 24 h, limit {}", self.day, number(limits.per_day, 1)),
            format!(
                "{} operations in 24 h, its own mean is {} a day",
                self.day,
                number(self.baseline.unwrap_or(0.0), 1)
            ),
        ];
        let exceeded = words.into_iter().zip(self.exceeds(limits)).filter(|(_, exceeds)| *exceeds);
        exceeded.map(|(words, _)| words).collect::<Vec<_>>().join("; ")
    }

    fn transition(&self, change: Change, at: Timestamp, limits: &Limits) -> Transition {
        let summary = match change {
            Change::Raised => self.exceeded(limits),
            Change::Returned => format!("{} operations in an hour, {} in 24 h", self.hour, self.day),
        };
        let mut facts = vec![
            fact("Operations in the last hour", count(self.hour), ""),
            fact("Limit in an hour", limits.per_hour, ""),
            fact("Operations in the last 24 h", count(self.day), ""),
            fact("Limit in 24 h", limits.per_day, ""),
        ];
        facts.extend(self.baseline.map(|mean| fact("Its own mean over 30 days", mean, "a day")));
        Transition { condition: Condition::ExcessTapping, change, at, summary, facts }
    }
}

const fn minute(at: Timestamp) -> i64 {
    at.timestamp().div_euclid(60)
}

/// The day since 1970 of a minute since then.
const fn day(minute: i64) -> i64 {
    minute.div_euclid(MINUTES_A_DAY)
}

/// A counter's value as a whole number; nothing if it is none.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "range checked")]
fn whole(value: f64) -> Option<u64> {
    (0.0..=9_007_199_254_740_992.0).contains(&value).then_some(value as u64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::story::{Story, at};

    fn counter(story: &mut Story, s: i64, value: u32) -> Vec<String> {
        let mut told = story.observe(&Reading::new(at(s)).with(Quantity::Operations, f64::from(value)));
        told.retain(|line| line.contains("excess_tapping"));
        told
    }

    /// Readings a minute apart of a control that counts so many operations an hour, by the hour of the story.
    fn hours(story: &mut Story, hours: std::ops::Range<i64>, an_hour: impl Fn(i64) -> i64) -> Vec<String> {
        let mut sixtieths = 0;
        let minutes = hours.start * 60..hours.end * 60;
        let told = minutes.flat_map(|minute| {
            sixtieths += an_hour(minute / 60);
            counter(story, minute * 60, u32::try_from(sixtieths / 60).unwrap())
        });
        told.collect()
    }

    #[test]
    fn a_cloudy_hour_is_told_with_the_thirteenth_operation_and_ends_half_a_day_after() {
        let mut story = Story::common();
        let mut told = vec![];
        for i in 0..=13u32 {
            told.extend(counter(&mut story, i64::from(i) * 240, 500 + i));
        }
        assert_eq!(told, ["3120 excess_tapping raised: 13 operations in an hour, limit 12"]);
        let mut told = vec![];
        for s in (3130..60_000).step_by(10) {
            told.extend(counter(&mut story, s, 513));
        }
        // The first of the 13 was at 240 s; an hour later 12 are left, and 12 hours after that it ends.
        assert_eq!(told, ["47040 excess_tapping returned: 0 operations in an hour, 13 in 24 h"]);
    }

    #[test]
    fn bursts_of_one_day_are_one_alarm() {
        let mut story = Story::common();
        let told = hours(&mut story, 0..24, |hour| if [9, 12, 16].contains(&hour) { 16 } else { 0 });
        assert_eq!(told.len(), 1, "{told:?}");
        assert!(told[0].contains("raised: 13 operations in an hour"), "{told:?}");
    }

    #[test]
    fn a_calm_day_ends_it_and_the_next_cloudy_one_raises_it_again() {
        let mut story = Story::common();
        let cloudy = |day| day == 0 || day == 2;
        let told = hours(&mut story, 0..72, |hour| {
            if cloudy(hour / 24) && (8..17).contains(&(hour % 24)) { 16 } else { 2 }
        });
        let words: Vec<_> = told.iter().map(|line| line.split(':').next().unwrap()).collect();
        let [first, ended, second] = words[..] else { panic!("{told:?}") };
        assert!(first.ends_with("raised") && ended.ends_with("returned") && second.ends_with("raised"));
        let hour = |word: &str| word.split(' ').next().unwrap().parse::<i64>().unwrap() / 3600;
        assert_eq!(hour(first), 8);
        // From four in the afternoon of the calm day on there are at most 60 in 24 h; it ends twelve hours later.
        assert_eq!((hour(ended), hour(second)), (48 + 4, 48 + 8), "{told:?}");
    }

    #[test]
    fn above_the_limit_day_after_day_it_stands() {
        let mut story = Story::common();
        // calm to the eye, but 72 a day
        let told = hours(&mut story, 0..30 * 24, |_| 3);
        assert_eq!(told.len(), 1, "{told:?}");
        assert!(told[0].contains("raised: 61 operations in 24 h, limit 60"), "{told:?}");
    }

    #[test]
    fn hovering_at_the_limit_is_one_alarm() {
        let mut story = Story::common();
        // one operation each 4 min 40 s: twelve or thirteen in any hour, for ten hours
        let told: Vec<_> = (0..36_000i64)
            .step_by(10)
            .flat_map(|s| counter(&mut story, s, u32::try_from(s / 280).unwrap()))
            .collect();
        assert_eq!(told.len(), 1, "{told:?}");
    }

    #[test]
    fn rollover_and_restart_are_counted_through_and_a_new_control_is_not() {
        let mut story = Story::common();
        story.nameplate.counter_modulus = 65_536;
        story.set(Condition::ExcessTapping, "per_hour", 1.0);
        assert!(counter(&mut story, 0, 65_535).is_empty());
        let told = counter(&mut story, 10, 1);
        assert_eq!(told, ["10 excess_tapping raised: 2 operations in an hour, limit 1"]);
        let mut story = Story::common();
        story.set(Condition::ExcessTapping, "per_hour", 1.0);
        counter(&mut story, 0, 40_000);
        assert!(counter(&mut story, 10, 12_345).is_empty(), "a replaced control");
        assert_eq!(counter(&mut story, 20, 2).len(), 1, "restarted from zero, two since");
    }

    #[test]
    fn operations_of_a_gap_are_spread_over_it() {
        let mut story = Story::common();
        counter(&mut story, 0, 0);
        assert!(counter(&mut story, 6 * 3600, 30).is_empty(), "30 in six hours are 5 an hour");
        assert_eq!(counter(&mut story, 6 * 3600 + 10, 38).len(), 1, "5 and 8 are 13");
    }

    #[test]
    fn its_own_mean_speaks_after_seven_days() {
        let mut story = Story::common();
        story.set(Condition::ExcessTapping, "baseline_factor", 3.0);
        let hour = 3600;
        let mut value = 0;
        let mut told = vec![];
        // eight days of 12 operations a day, then two an hour (48 a day: below 60 a day, above 3 x 12)
        for h in 0..(10 * 24) {
            value += if h < 8 * 24 { u32::from(h % 2 == 0) } else { 2 };
            told.extend(counter(&mut story, i64::from(h) * hour, value));
        }
        assert_eq!(told.len(), 1, "{told:?}");
        // 95 operations counted over the first 191 hours are 11.94 a day; 4 of the quiet hours' and 32 since are 36 in 24 h
        assert_eq!(
            told[0],
            "745200 excess_tapping raised: 36 operations in 24 h, its own mean is 11.9 a day"
        );
        let mut early = Story::common();
        let told: Vec<_> = (0..48u32)
            .flat_map(|h| counter(&mut early, i64::from(h) * hour, if h < 24 { 0 } else { (h - 24) * 2 }))
            .collect();
        assert!(told.is_empty(), "one day of history is no baseline: {told:?}");
    }

    #[test]
    fn the_log_stays_small_however_much_it_taps() {
        let mut story = Story::common();
        for i in 0..40_000u32 {
            counter(&mut story, i64::from(i) * 10, i);
        }
        assert!(story.stored().len() < 3500, "{}", story.stored().len());
    }
}
