//! How finely a stretch of time is shown.

use chrono::TimeDelta;

/// Points on a line beyond which a screen shows nothing more.
const ENOUGH: i64 = 2_400;

/// What the points of a trend are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Resolution {
    /// The readings themselves.
    Readings,
    /// Minutes, this many joined to one.
    Minutes(i64),
    /// Hours, this many joined to one.
    Hours(i64),
    /// Days.
    Days,
}

impl Resolution {
    /// What a stretch of this length is shown by: every reading up to a day (and the hours that clocks may add), then
    /// minutes for about a week, hours for about a quarter, days beyond.
    pub(crate) fn of(length: TimeDelta) -> Self {
        match length {
            l if l <= TimeDelta::hours(26) => Self::Readings,
            l if l <= TimeDelta::days(9) => Self::Minutes(step(l.num_minutes(), ENOUGH)),
            l if l <= TimeDelta::days(100) => Self::Hours(1),
            _ => Self::Days,
        }
    }

    /// What a small drawing needs.
    pub(crate) fn coarse(length: TimeDelta) -> Self {
        match length {
            l if l <= TimeDelta::hours(2) => Self::Readings,
            l if l <= TimeDelta::days(4) => Self::Minutes(step(l.num_minutes(), 480)),
            l if l <= TimeDelta::days(60) => Self::Hours(step(l.num_hours(), 720)),
            _ => Self::Days,
        }
    }

    /// The name that goes with the data.
    pub(crate) fn words(self) -> String {
        match self {
            Self::Readings => "every reading".to_owned(),
            Self::Minutes(1) => "minutes".to_owned(),
            Self::Minutes(n) => format!("{n} minutes"),
            Self::Hours(1) => "hours".to_owned(),
            Self::Hours(n) => format!("{n} hours"),
            Self::Days => "days".to_owned(),
        }
    }

    /// Length of one point, for rollups.
    pub(crate) fn bucket(self) -> TimeDelta {
        match self {
            Self::Readings => TimeDelta::zero(),
            Self::Minutes(n) => TimeDelta::minutes(n),
            Self::Hours(n) => TimeDelta::hours(n),
            Self::Days => TimeDelta::days(1),
        }
    }
}

/// How many to join so that about `most` are left; a number that clocks know.
fn step(count: i64, most: i64) -> i64 {
    [1, 2, 3, 5, 6, 10, 12, 15, 20, 30].into_iter().find(|n| count / n <= most).unwrap_or(60)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_shows_every_reading_and_a_year_its_days() {
        assert_eq!(Resolution::of(TimeDelta::hours(25)), Resolution::Readings);
        assert_eq!(Resolution::of(TimeDelta::days(7)), Resolution::Minutes(5));
        assert_eq!(Resolution::of(TimeDelta::days(30)), Resolution::Hours(1));
        assert_eq!(Resolution::of(TimeDelta::days(365)), Resolution::Days);
        assert_eq!(Resolution::coarse(TimeDelta::days(1)), Resolution::Minutes(3));
    }
}
