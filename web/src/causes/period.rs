//! Lengths of time that operations are summed over, and their names.

use chrono::{Datelike, Days, Months, NaiveDate};

/// What one column or row sums up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Period {
    /// A day of the site.
    #[default]
    Day,
    /// A week from Monday.
    Week,
    /// A calendar month.
    Month,
}

impl Period {
    /// Every one, shortest first.
    pub const ALL: &'static [Self] = &[Self::Day, Self::Week, Self::Month];

    /// What addresses carry, and Postgres calls it.
    #[must_use]
    pub const fn key(self) -> &'static str {
        match self {
            Self::Day => "day",
            Self::Week => "week",
            Self::Month => "month",
        }
    }

    /// The period of this key.
    #[must_use]
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|period| period.key() == key)
    }

    /// One that draws so many days in columns wide enough to see.
    #[must_use]
    pub const fn suiting(days: i64) -> Self {
        match days {
            ..=62 => Self::Day,
            63..=400 => Self::Week,
            _ => Self::Month,
        }
    }

    /// The first day of the period that holds this one.
    #[must_use]
    pub fn begin(self, day: NaiveDate) -> NaiveDate {
        match self {
            Self::Day => day,
            Self::Week => day - Days::new(day.weekday().num_days_from_monday().into()),
            Self::Month => day.with_day(1).unwrap_or(day),
        }
    }

    /// The first day of the next.
    #[must_use]
    pub fn next(self, begin: NaiveDate) -> NaiveDate {
        match self {
            Self::Day => begin + Days::new(1),
            Self::Week => begin + Days::new(7),
            Self::Month => begin + Months::new(1),
        }
    }

    /// The name of the period that begins on this day: "2026-10-05", "week of 2026-10-05", "2026-10".
    #[must_use]
    pub fn name(self, begin: NaiveDate) -> String {
        match self {
            Self::Day => begin.to_string(),
            Self::Week => format!("week of {begin}"),
            Self::Month => begin.format("%Y-%m").to_string(),
        }
    }

    /// The beginnings of all periods that hold a day from one to the other, both included.
    #[must_use]
    pub fn all(self, from: NaiveDate, to: NaiveDate) -> Vec<NaiveDate> {
        let first = self.begin(from);
        std::iter::successors(Some(first), |day| Some(self.next(*day))).take_while(|day| *day <= to).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weeks_begin_on_monday_and_months_on_the_first() {
        let day = |text: &str| text.parse::<NaiveDate>().unwrap();
        // 1 October 2026 is a Thursday.
        assert_eq!(Period::Week.begin(day("2026-10-01")), day("2026-09-28"));
        assert_eq!(Period::Week.all(day("2026-10-01"), day("2026-10-12")).len(), 3);
        assert_eq!(
            Period::Month.all(day("2026-12-31"), day("2027-01-01")),
            [day("2026-12-01"), day("2027-01-01")]
        );
        assert_eq!(Period::Day.all(day("2026-02-27"), day("2026-03-01")).len(), 3);
        assert_eq!(Period::Month.name(day("2026-10-01")), "2026-10");
        assert_eq!(
            (Period::suiting(30), Period::suiting(365), Period::suiting(900)),
            (Period::Day, Period::Week, Period::Month)
        );
    }
}
