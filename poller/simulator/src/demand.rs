//! How much people use when: day shapes by kind of customer, working day or weekend, season, and the weather's say in it.

use chrono::{DateTime, Datelike, TimeZone, Timelike, Utc, Weekday};
use chrono_tz::Tz;

use crate::chance::{hash2, normal};

/// A kind of customer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Customers {
    /// Homes: a morning shoulder and an evening peak.
    Homes,
    /// Shops, workshops and schools: busy by day, quiet at weekends.
    Trade,
    /// Pumps and drives: nearly flat, a little more by day.
    Pumps,
}

/// Per unit of peak for each hour of a working day and of a weekend day; shapes by common practice.
const HOMES: [[f64; 24]; 2] = [
    [
        0.47, 0.44, 0.42, 0.41, 0.42, 0.47, 0.58, 0.66, 0.62, 0.57, 0.54, 0.53, 0.53, 0.53, 0.54, 0.57, 0.66,
        0.82, 0.95, 1.00, 0.95, 0.84, 0.68, 0.55,
    ],
    [
        0.51, 0.47, 0.44, 0.43, 0.43, 0.45, 0.51, 0.59, 0.66, 0.69, 0.69, 0.68, 0.67, 0.66, 0.65, 0.67, 0.72,
        0.83, 0.93, 0.97, 0.92, 0.82, 0.69, 0.58,
    ],
];
const TRADE: [[f64; 24]; 2] = [
    [
        0.40, 0.39, 0.38, 0.38, 0.40, 0.46, 0.60, 0.78, 0.90, 0.96, 0.99, 1.00, 0.98, 0.99, 0.98, 0.95, 0.88,
        0.78, 0.70, 0.64, 0.58, 0.52, 0.46, 0.42,
    ],
    [
        0.40, 0.39, 0.38, 0.38, 0.39, 0.41, 0.46, 0.53, 0.60, 0.65, 0.68, 0.69, 0.69, 0.68, 0.67, 0.65, 0.62,
        0.60, 0.57, 0.54, 0.50, 0.47, 0.44, 0.42,
    ],
];
const PUMPS: [[f64; 24]; 2] = [
    [
        0.80, 0.79, 0.78, 0.78, 0.79, 0.82, 0.86, 0.91, 0.95, 0.97, 0.99, 1.00, 1.00, 1.00, 0.99, 0.98, 0.96,
        0.93, 0.91, 0.89, 0.87, 0.85, 0.83, 0.81,
    ],
    [
        0.78, 0.77, 0.76, 0.76, 0.76, 0.78, 0.80, 0.83, 0.86, 0.88, 0.90, 0.91, 0.91, 0.91, 0.90, 0.89, 0.88,
        0.86, 0.85, 0.84, 0.83, 0.81, 0.80, 0.79,
    ],
];

/// Demand per unit of peak of every kind at one instant.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Demand([f64; 3]);

impl Demand {
    /// At this instant, in this zone.
    pub(crate) fn at(at: DateTime<Utc>, zone: Tz, seed: u64) -> Self {
        let local = zone.from_utc_datetime(&at.naive_utc());
        let weekend = usize::from(matches!(local.weekday(), Weekday::Sat | Weekday::Sun));
        let hour = f64::from(local.num_seconds_from_midnight()) / 3600.0;
        let scale = season(local.ordinal0()) * (1.0 + weather(at, seed));
        Self([HOMES, TRADE, PUMPS].map(|shape| scale * between_hours(&shape[weekend], hour)))
    }

    #[inline]
    pub(crate) const fn of(&self, customers: Customers) -> f64 {
        self.0[customers as usize]
    }
}

/// Summer and winter peak, spring and autumn between.
fn season(day_of_year: u32) -> f64 {
    0.98 + 0.02 * (2.0 * std::f64::consts::TAU * (f64::from(day_of_year) - 20.0) / 365.25).cos()
}

/// Warm and cold spells: a few percent, changing over days.
fn weather(at: DateTime<Utc>, seed: u64) -> f64 {
    let day = at.timestamp().div_euclid(86_400);
    #[allow(clippy::cast_precision_loss, reason = "less than a day of seconds")]
    let share = at.timestamp().rem_euclid(86_400) as f64 / 86_400.0;
    let of = |d: i64| 0.025 * normal(hash2(seed ^ 0x5EA5, d.cast_unsigned()));
    of(day) * (1.0 - share) + of(day + 1) * share
}

fn between_hours(shape: &[f64; 24], hour: f64) -> f64 {
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 24")]
    let whole = hour as usize % 24;
    let share = hour.fract();
    shape[whole] * (1.0 - share) + shape[(whole + 1) % 24] * share
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn homes_peak_in_the_evening_and_trade_by_day() {
        let zone = chrono_tz::America::Denver;
        let at = |text: &str| Demand::at(text.parse().unwrap(), zone, 1);
        // A Wednesday in standard time: local time is seven hours behind.
        let (noon, evening) = (at("2026-11-18T19:00:00Z"), at("2026-11-19T02:00:00Z"));
        assert!(evening.of(Customers::Homes) > 1.6 * noon.of(Customers::Homes));
        assert!(noon.of(Customers::Trade) > 1.3 * evening.of(Customers::Trade));
        // The Saturday after.
        assert!(at("2026-11-21T19:00:00Z").of(Customers::Trade) < 0.8 * noon.of(Customers::Trade));
    }
}
