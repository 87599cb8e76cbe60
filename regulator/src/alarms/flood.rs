//! Alarm floods: more alarms than one person can answer.
//!
//! A flood begins with the annunciation that is the eleventh within ten minutes, and ends when fewer than five were annunciated
//! within the last ten minutes (ISA-18.2 and IEC 62682; the beginning looked up in secondary sources, the end from memory). The
//! standard counts in fixed intervals of ten minutes; here the ten minutes slide, so that a flood does not go unseen because
//! it lies across two intervals, and begins and ends at an instant.
//!
//! Annunciations are the instants at which alarms were told to people, not every change of a condition.

use std::collections::VecDeque;

use chrono::TimeDelta;
use serde::{Deserialize, Serialize};

use crate::Timestamp;

/// The time that annunciations are counted over.
pub const WINDOW: TimeDelta = TimeDelta::minutes(10);
/// A flood begins when more than this many were annunciated within [`WINDOW`].
pub const BEGINS_ABOVE: usize = 10;
/// It ends when fewer than this many were.
pub const ENDS_BELOW: usize = 5;

/// One flood.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Period {
    /// The annunciation with which the count passed the limit.
    pub from: Timestamp,
    /// When it fell below; nothing while the flood goes on.
    pub to: Option<Timestamp>,
    /// Annunciations in it, with those of the ten minutes before that made it one.
    pub annunciations: u64,
}

/// Follows annunciations as they come. Small: the last few instants.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Flood {
    /// The latest annunciations, oldest first, at most one more than begin a flood.
    latest: VecDeque<Timestamp>,
    now: Option<Period>,
}

impl Flood {
    /// The flood that goes on, if one does, as of the last that was said.
    #[must_use]
    pub const fn now(&self) -> Option<Period> {
        self.now
    }

    /// An alarm was annunciated, no earlier than the one before (an earlier instant counts as that one's). Returns the flood that
    /// had ended by then, if one had.
    pub fn annunciated(&mut self, at: Timestamp) -> Option<Period> {
        let at = self.latest.back().map_or(at, |last| at.max(*last));
        let ended = self.advance(at);
        self.latest.push_back(at);
        if self.latest.len() > BEGINS_ABOVE + 1 {
            self.latest.pop_front();
        }
        if let Some(flood) = &mut self.now {
            flood.annunciations += 1;
        } else if self.latest.len() > BEGINS_ABOVE && at - self.latest[0] < WINDOW {
            self.now = Some(Period { from: at, to: None, annunciations: self.latest.len() as u64 });
        }
        ended
    }

    /// It is `now`, and all that was annunciated before (not at) it has been said. Returns the flood that has ended, if one has.
    pub fn advance(&mut self, now: Timestamp) -> Option<Period> {
        let flood = self.now?;
        let ends = self.ends_at()?;
        if ends >= now {
            return None;
        }
        self.now = None;
        Some(Period { to: Some(ends), ..flood })
    }

    /// When the count falls below, if nothing comes: the fifth latest annunciation is ten minutes old.
    fn ends_at(&self) -> Option<Timestamp> {
        let fifth = self.latest.len().checked_sub(ENDS_BELOW)?;
        self.latest.get(fifth).map(|at| *at + WINDOW)
    }
}

/// The floods in annunciations given in order of time, up to `until`; one that goes on then has no end.
pub fn periods(annunciations: impl IntoIterator<Item = Timestamp>, until: Timestamp) -> Vec<Period> {
    let mut flood = Flood::default();
    let mut of: Vec<Period> = annunciations.into_iter().filter_map(|at| flood.annunciated(at)).collect();
    of.extend(flood.advance(until));
    of.extend(flood.now());
    of
}

/// How much of the time from `from` to `to` was in flood, 0 to 1.
#[must_use]
pub fn share_of_time(floods: &[Period], from: Timestamp, to: Timestamp) -> f64 {
    let within = |p: &Period| (p.to.unwrap_or(to).min(to) - p.from.max(from)).max(TimeDelta::zero());
    let flooded: TimeDelta = floods.iter().map(within).sum();
    let whole = crate::seconds(from, to);
    if whole > 0.0 { crate::seconds_of(flooded) / whole } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::{ProptestConfig, prop, prop_assert_eq, proptest};

    fn at(seconds: i64) -> Timestamp {
        Timestamp::from_timestamp(1_767_225_600, 0).unwrap() + TimeDelta::seconds(seconds)
    }

    fn of(seconds: &[i64], until: i64) -> Vec<(i64, Option<i64>, u64)> {
        let s = |t: Timestamp| (t - at(0)).num_seconds();
        let periods = periods(seconds.iter().map(|s| at(*s)), at(until));
        periods.into_iter().map(|p| (s(p.from), p.to.map(s), p.annunciations)).collect()
    }

    #[test]
    fn ten_in_ten_minutes_are_no_flood_and_eleven_are() {
        let ten: Vec<i64> = (0..10).map(|i| i * 30).collect();
        assert_eq!(of(&ten, 10_000), []);
        let eleven: Vec<i64> = (0..11).map(|i| i * 30).collect();
        // the last five came at 180 to 300, so four are left once that of 180 is ten minutes old
        assert_eq!(of(&eleven, 10_000), [(300, Some(780), 11)]);
        let slow: Vec<i64> = (0..200).map(|i| i * 60).collect();
        assert_eq!(of(&slow, 20_000), [], "one a minute: ten in any ten minutes");
    }

    #[test]
    fn it_goes_on_while_five_come_in_ten_minutes() {
        let mut seconds: Vec<i64> = (0..11).map(|i| i * 10).collect();
        seconds.extend((1..=20).map(|i| 100 + i * 120));
        // every two minutes keeps five in ten minutes; the last five: 2020 to 2500
        assert_eq!(of(&seconds, 10_000), [(100, Some(2620), 31)]);
        assert_eq!(of(&seconds, 2600), [(100, None, 31)], "not over yet");
    }

    #[test]
    fn the_share_of_time_is_cut_to_the_period() {
        let floods = [
            Period { from: at(100), to: Some(at(200)), annunciations: 11 },
            Period { from: at(900), to: None, annunciations: 11 },
        ];
        assert!((share_of_time(&floods, at(0), at(1000)) - 0.2).abs() < 1e-12);
        assert!((share_of_time(&floods, at(150), at(250)) - 0.5).abs() < 1e-12);
        assert!(share_of_time(&floods, at(300), at(400)).abs() < 1e-12);
        assert!(share_of_time(&floods, at(300), at(300)).abs() < 1e-12);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(256) })]

        /// Against counting anew at every second.
        #[test]
        fn it_agrees_with_counting_at_every_second(
            gaps in prop::collection::vec(0..150_i64, 1..80),
            looks in prop::collection::vec(0..8000_i64, 0..20),
        ) {
            let seconds: Vec<i64> = gaps.iter().scan(0, |s, gap| { *s += gap; Some(*s) }).collect();
            let until = seconds.last().unwrap() + 1000;
            let (mut expected, mut open) = (vec![], None);
            for now in 0..=until {
                let within = seconds.iter().filter(|s| **s <= now && now - **s < 600).count();
                match open {
                    None if within > 10 => open = Some(now),
                    Some(from) if within < 5 => {
                        expected.push((from, Some(now)));
                        open = None;
                    }
                    _ => {}
                }
            }
            expected.extend(open.map(|from| (from, None)));
            let told: Vec<_> = of(&seconds, until).into_iter().map(|(from, to, _)| (from, to)).collect();
            prop_assert_eq!(&told, &expected);
            // looking in between, and storing, change nothing
            let (mut flood, mut pieces) = (Flood::default(), vec![]);
            for s in &seconds {
                for look in looks.iter().filter(|look| **look < *s) {
                    pieces.extend(flood.advance(at(*look)));
                }
                flood = serde_json::from_str(&serde_json::to_string(&flood).unwrap()).unwrap();
                pieces.extend(flood.annunciated(at(*s)));
            }
            pieces.extend(flood.advance(at(until)));
            pieces.extend(flood.now());
            prop_assert_eq!(pieces, periods(seconds.iter().map(|s| at(*s)), at(until)));
        }
    }
}
