//! Quiet hours: when a person is left alone by what can wait.
//!
//! Local times beside their zone, so that "22:00 to 07:00" stays that across daylight saving changes. What is critical is never quiet.

use chrono::{DateTime, Datelike, Duration, NaiveDate, NaiveTime, Utc, Weekday};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};

use crate::{Priority, local};

/// The quiet hours of a person.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct QuietHours {
    /// Where the person lives.
    pub zone: Tz,
    /// The local time at which they begin.
    pub from: NaiveTime,
    /// The local time at which they end: on the next day unless it is after `from`. The same time as `from` makes a whole day.
    pub to: NaiveTime,
    /// The days on which they begin.
    #[serde(default)]
    pub days: Days,
    /// Messages up to this priority wait; critical ones never do, whatever stands here.
    pub up_to: Priority,
}

/// Days of the week: bit 0 is Monday, bit 6 Sunday.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Days(pub u8);

impl Default for Days {
    fn default() -> Self {
        Self::ALL
    }
}

impl Days {
    /// Every day of the week.
    pub const ALL: Self = Self(0b111_1111);

    /// These days.
    #[must_use]
    pub fn of(days: &[Weekday]) -> Self {
        Self(days.iter().fold(0, |mask, day| mask | 1 << day.num_days_from_monday()))
    }

    /// Whether a day is among them.
    #[must_use]
    pub fn contains(self, day: Weekday) -> bool {
        self.0 & (1 << day.num_days_from_monday()) != 0
    }
}

/// Something that has to be put right before quiet hours can be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Fault {
    /// They would never begin.
    #[error("the quiet hours are on no day of the week: choose at least one, or take them away")]
    NoDays,
    /// They would never end.
    #[error("the quiet hours never end: leave out a day, or let them end before they begin again")]
    NoEnd,
    /// They would hold back what must not wait.
    #[error("critical messages cannot wait: let the quiet hours hold back up to high, medium or low")]
    Critical,
}

/// Days to look ahead: a week without a quiet-free minute is refused by `check`.
const WEEK: u64 = 7;

impl QuietHours {
    /// What is wrong, if anything.
    ///
    /// # Errors
    /// The first [`Fault`] there is.
    pub fn check(&self) -> Result<(), Fault> {
        let on = |day: &Weekday| self.days.contains(*day);
        let week = [
            Weekday::Mon,
            Weekday::Tue,
            Weekday::Wed,
            Weekday::Thu,
            Weekday::Fri,
            Weekday::Sat,
            Weekday::Sun,
        ];
        if !week.iter().any(on) {
            return Err(Fault::NoDays);
        }
        if self.from == self.to && week.iter().all(on) {
            return Err(Fault::NoEnd);
        }
        if self.up_to == Priority::Critical {
            return Err(Fault::Critical);
        }
        Ok(())
    }

    /// Until when a message of a priority has to wait; `None` when it can be sent at once.
    ///
    /// Quiet hours that begin the moment others end are one: a quiet weekend ends once. At most a week.
    #[must_use]
    pub fn until(&self, at: DateTime<Utc>, priority: Priority) -> Option<DateTime<Utc>> {
        if priority == Priority::Critical || priority > self.up_to {
            return None;
        }
        // two days back: hours begun yesterday may last, and where a day was left out even those of the day before
        let first = local::date(self.zone, at - Duration::days(2));
        let spans = (0..=WEEK + 2).filter_map(|days| self.beginning(local::days_on(first, days)));
        let end = spans.fold(at, |end, (from, to)| if from <= end && end < to { to } else { end });
        (end > at).then_some(end)
    }

    /// The quiet hours that begin on a date. None when the clock skips them, as it can with short ones.
    fn beginning(&self, date: NaiveDate) -> Option<(DateTime<Utc>, DateTime<Utc>)> {
        if !self.days.contains(date.weekday()) {
            return None;
        }
        let end = if self.to > self.from { date } else { local::days_on(date, 1) };
        let from = local::instant(self.zone, date.and_time(self.from));
        let to = local::instant(self.zone, end.and_time(self.to));
        (from < to).then_some((from, to))
    }
}

#[cfg(test)]
mod tests;
