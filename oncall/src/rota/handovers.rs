//! The bottom layer: regular turns, one after the other at the same local time.
//!
//! Turns are numbered from 0 at the start. The n-th begins so many local days after the start as the turns before it last, at the local time of the start,
//! whatever daylight saving does in between: the wall clock says the same at every handover, and a turn may be an hour longer or shorter.

use chrono::{DateTime, Duration, Utc};
use chrono_tz::Tz;

use super::{Level, PersonId, Start, Turn, Why};
use crate::local;

/// The repeated list of a level that has a start and persons with days.
pub(super) struct Handovers<'a> {
    zone: Tz,
    start: Start,
    level: &'a Level,
    cycle_days: u64,
}

impl<'a> Handovers<'a> {
    /// `None` when the level has no regular turns (what [`super::Rota::check`] complains of).
    pub(super) fn of(level: &'a Level, zone: Tz) -> Option<Self> {
        let start = level.start?;
        let cycle_days = level.turns.iter().map(|share| u64::from(share.days)).sum();
        (cycle_days > 0).then_some(Self { zone, start, level, cycle_days })
    }

    /// When the first turn begins.
    pub(super) fn first(&self) -> DateTime<Utc> {
        self.at(0)
    }

    /// When so many days after the start are over.
    fn at(&self, days: u64) -> DateTime<Utc> {
        local::instant(self.zone, local::days_on(self.start.date, days).and_time(self.start.time))
    }

    /// The whole regular turns that touch `from..to`, nobody before the start.
    pub(super) fn turns(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> Vec<Turn> {
        let first = self.first();
        let mut turns = Vec::new();
        if from < first {
            turns.push(Turn { person: None, from, to: first, why: Why::Regular });
        }
        let mut days = self.days_at(from.max(first));
        while days.begins < to {
            for share in &self.level.turns {
                let (begins, ends) = (days.begins, self.at(days.count + u64::from(share.days)));
                let touched = begins < to && ends > from;
                // a turn that falls wholly into a day that was left out is none
                if touched && begins < ends {
                    turns.push(Turn {
                        person: Some(share.person),
                        from: begins,
                        to: ends,
                        why: Why::Regular,
                    });
                }
                days = Days { count: days.count + u64::from(share.days), begins: ends };
            }
            if days.count > MOST_DAYS {
                break;
            }
        }
        turns
    }

    /// The beginning of a cycle that has begun by `at`, at most two before.
    fn days_at(&self, at: DateTime<Utc>) -> Days {
        // a day early, because the handover may still be to come today, and clocks may have been moved by up to a day
        let since = local::date(self.zone, at - Duration::days(2)) - self.start.date;
        let cycles = u64::try_from(since.num_days()).unwrap_or(0) / self.cycle_days;
        let count = cycles * self.cycle_days;
        Days { count, begins: self.at(count) }
    }

    /// Whose turn it is.
    pub(super) fn person_at(&self, at: DateTime<Utc>) -> Option<PersonId> {
        self.turns(at, at + Duration::seconds(1)).into_iter().find(|t| t.from <= at && at < t.to)?.person
    }
}

/// Where `chrono`'s calendar is still far from its end, days.
const MOST_DAYS: u64 = 50_000_000;

/// A handover.
struct Days {
    /// Days after the start.
    count: u64,
    begins: DateTime<Utc>,
}
