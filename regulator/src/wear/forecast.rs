//! When a part reaches its end, from how fast it has worn lately; a range of dates, or why none can be told.
//!
//! The rate is the mean of the last days' wear. Its spread is judged from whole weeks, because days of one week are alike and
//! weeks are nearly independent (assumption): the mean of k weeks is uncertain by twice their standard deviation over √k. The
//! earliest end takes the high estimates of used share and rate, the latest the low ones. Seasons are not in it: a forecast from
//! summer is one of a year of summers.

use super::Estimate;
use crate::Timestamp;

/// Wear of one part on one day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DayShare {
    /// Days since 1970, UTC.
    pub day: i64,
    /// Share of life used on that day.
    pub share: Estimate,
}

/// How much history is asked for, and how far ahead is looked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ForecastRules {
    /// Days with readings that the rate is taken from, at most.
    pub days: usize,
    /// Fewest of them for an answer; at least 14.
    pub least_days: usize,
    /// Years ahead beyond which no date is given.
    pub horizon_years: f64,
}

impl Default for ForecastRules {
    fn default() -> Self {
        Self { days: 90, least_days: 28, horizon_years: 50.0 }
    }
}

/// Why no date can be told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CannotTell {
    /// Fewer days with readings than asked for.
    TooShort {
        /// Days there are.
        days: usize,
        /// Days asked for.
        needed: usize,
    },
    /// A figure is not finite.
    Unusable,
}

/// The outlook of one part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Outlook {
    /// No answer, and why.
    CannotTell(CannotTell),
    /// The share used is 1 or more already, by the likely figure.
    Reached,
    /// The end is expected at `likely`, between `earliest` and `latest`; nothing where that lies beyond the horizon.
    End {
        /// With the high estimates.
        earliest: Option<Timestamp>,
        /// With the likely ones.
        likely: Option<Timestamp>,
        /// With the low ones.
        latest: Option<Timestamp>,
        /// Wear a day that they are taken from.
        a_day: Estimate,
    },
}

/// The outlook of a part that has used this share at `now`, from its wear by day, oldest first, days without readings left out.
#[must_use]
pub fn outlook(used: Estimate, days: &[DayShare], now: Timestamp, rules: &ForecastRules) -> Outlook {
    let needed = rules.least_days.max(14);
    if days.len() < needed {
        return Outlook::CannotTell(CannotTell::TooShort { days: days.len(), needed });
    }
    let recent = &days[days.len().saturating_sub(rules.days.max(needed))..];
    let a_day = rate(recent);
    let all = [used.low, used.likely, used.high, a_day.low, a_day.likely, a_day.high];
    if !all.iter().all(|x| x.is_finite()) {
        return Outlook::CannotTell(CannotTell::Unusable);
    }
    if used.likely >= 1.0 {
        return Outlook::Reached;
    }
    let end = |used: f64, rate: f64| date(now, (1.0 - used).max(0.0) / rate, rules.horizon_years);
    Outlook::End {
        earliest: end(used.high, a_day.high),
        likely: end(used.likely, a_day.likely),
        latest: end(used.low, a_day.low),
        a_day,
    }
}

/// Mean wear a day; its range joins that of the exponent and the spread between weeks.
fn rate(days: &[DayShare]) -> Estimate {
    let mean = |of: fn(&Estimate) -> f64, days: &[DayShare]| {
        let n: f64 = days.iter().map(|_| 1.0).sum();
        days.iter().map(|d| of(&d.share)).sum::<f64>() / n
    };
    let likely = mean(|e| e.likely, days);
    let weeks: Vec<f64> = days.rchunks_exact(7).map(|week| mean(|e| e.likely, week)).collect();
    let count: f64 = weeks.iter().map(|_| 1.0).sum();
    let centre = weeks.iter().sum::<f64>() / count;
    let variance = weeks.iter().map(|w| (w - centre) * (w - centre)).sum::<f64>() / (count - 1.0);
    let doubt = if likely > 0.0 { 2.0 * (variance / count).sqrt() / likely } else { 0.0 };
    Estimate {
        low: mean(|e| e.low, days) * (1.0 - doubt).max(0.0),
        likely,
        high: mean(|e| e.high, days) * (1.0 + doubt),
    }
}

/// So many days after; nothing beyond the horizon.
fn date(now: Timestamp, days: f64, horizon_years: f64) -> Option<Timestamp> {
    #[allow(clippy::cast_possible_truncation, reason = "bounded by the horizon")]
    let seconds = (days <= horizon_years * 365.25).then_some((days * 86_400.0).round() as i64)?;
    now.checked_add_signed(chrono::TimeDelta::seconds(seconds))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::checks::check;

    fn flat(share: f64) -> Estimate {
        Estimate { low: share, likely: share, high: share }
    }

    fn days(count: i64, share: impl Fn(i64) -> f64) -> Vec<DayShare> {
        (0..count).map(|day| DayShare { day, share: flat(share(day)) }).collect()
    }

    #[allow(clippy::cast_precision_loss, reason = "a test")]
    fn years(from: Timestamp, to: Option<Timestamp>) -> f64 {
        (to.unwrap() - from).num_seconds() as f64 / (365.25 * 86_400.0)
    }

    /// 50 000 operations at so many a day: plain arithmetic.
    #[test]
    fn years_that_fifty_thousand_operations_last() {
        let now = Timestamp::UNIX_EPOCH;
        for (a_day, theirs) in [(10.0, 13.7), (28.0, 4.9), (50.0, 2.7)] {
            let days = days(90, |_| a_day / 50_000.0);
            let Outlook::End { earliest, likely, latest, .. } =
                outlook(flat(0.0), &days, now, &ForecastRules::default())
            else {
                panic!("no end");
            };
            let name = format!("years that 50 000 operations last at {a_day} a day");
            check(&name, "arithmetic", theirs, years(now, likely), 0.05);
            let apart = years(now, latest) - years(now, earliest);
            assert!(apart.abs() < 1e-6, "steady wear has no spread: {apart}");
        }
    }

    #[test]
    fn restless_weeks_and_an_unsure_exponent_widen_the_range() {
        let now = Timestamp::UNIX_EPOCH;
        let restless = days(84, |day| if (day / 7) % 2 == 0 { 4e-4 } else { 2e-4 });
        let Outlook::End { earliest, likely, latest, a_day } =
            outlook(flat(0.4), &restless, now, &ForecastRules::default())
        else {
            panic!("no end");
        };
        // twelve weeks of 4 and 2: mean 3, deviation sqrt(12/11), so 3 +- 2 x 1.0445/sqrt 12 = 3 +- 0.603
        assert!((a_day.low - 2.397e-4).abs() < 1e-7 && (a_day.high - 3.603e-4).abs() < 1e-7, "{a_day:?}");
        assert!(earliest < likely && likely < latest);
        assert!((years(now, likely) - 0.6 / 3e-4 / 365.25).abs() < 1e-6);
    }

    #[test]
    fn too_little_history_is_no_forecast() {
        let told = outlook(flat(0.2), &days(20, |_| 1e-4), Timestamp::UNIX_EPOCH, &ForecastRules::default());
        assert_eq!(told, Outlook::CannotTell(CannotTell::TooShort { days: 20, needed: 28 }));
        let odd =
            outlook(flat(f64::NAN), &days(90, |_| 1e-4), Timestamp::UNIX_EPOCH, &ForecastRules::default());
        assert_eq!(odd, Outlook::CannotTell(CannotTell::Unusable));
    }

    #[test]
    fn a_unit_that_hardly_moves_has_no_date_and_a_worn_one_has_reached_it() {
        let rules = ForecastRules::default();
        let Outlook::End { earliest, likely, latest, .. } =
            outlook(flat(0.1), &days(90, |_| 0.0), Timestamp::UNIX_EPOCH, &rules)
        else {
            panic!("an outlook");
        };
        assert_eq!((earliest, likely, latest), (None, None, None));
        let worn = outlook(flat(1.02), &days(90, |_| 1e-4), Timestamp::UNIX_EPOCH, &rules);
        assert_eq!(worn, Outlook::Reached);
    }
}
