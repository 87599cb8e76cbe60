//! Where the sun stands: hours in which solar generation can be at work.
//!
//! The formulas are those of the NOAA Global Monitoring Division's "General Solar Position Calculations": equation of time and
//! declination as Fourier series after J. W. Spencer, "Fourier series representation of the position of the sun", Search 2(5), 1971. They
//! hold to about half a degree, without refraction.

use chrono::{Datelike, Timelike};
use serde::{Deserialize, Serialize};

use crate::Timestamp;

/// What is known of where a site lies.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    /// Nothing: day and night are not told apart.
    #[default]
    Unknown,
    /// Its local time only, seconds east of UTC: hours from eight to seventeen count as sun, from twenty to six as dark.
    Zone(i32),
    /// Degrees north and degrees east.
    Coordinates {
        /// Degrees north, -90 to 90.
        latitude: f64,
        /// Degrees east, -180 to 180.
        longitude: f64,
    },
}

/// What the sun does, as far as is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Daylight {
    /// Below the horizon.
    Dark,
    /// So low, or the hour so doubtful, that nothing follows from it.
    Low,
    /// High enough for generation that clouds can change quickly.
    Sun,
}

/// Below this elevation clouds change little generation, degrees (chosen here).
const LOW_DEGREES: f64 = 8.0;

impl Place {
    /// Day or night at this place; none where nothing is known of it.
    #[must_use]
    pub fn daylight(&self, at: Timestamp) -> Option<Daylight> {
        match *self {
            Self::Unknown => None,
            Self::Zone(east_s) => {
                let hour = (at.timestamp() + i64::from(east_s)).rem_euclid(86_400) / 3600;
                Some(match hour {
                    8..17 => Daylight::Sun,
                    20.. | 0..6 => Daylight::Dark,
                    _ => Daylight::Low,
                })
            }
            Self::Coordinates { latitude, longitude } => {
                Some(match elevation_degrees(at, latitude, longitude) {
                    e if e < 0.0 => Daylight::Dark,
                    e if e < LOW_DEGREES => Daylight::Low,
                    _ => Daylight::Sun,
                })
            }
        }
    }
}

/// Elevation of the sun above the horizon, degrees, without refraction; latitude north and longitude east positive, degrees.
#[must_use]
pub fn elevation_degrees(at: Timestamp, latitude: f64, longitude: f64) -> f64 {
    let year_days = if at.date_naive().leap_year() { 366.0 } else { 365.0 };
    let minutes = f64::from(at.num_seconds_from_midnight()) / 60.0;
    let gamma =
        std::f64::consts::TAU / year_days * (f64::from(at.ordinal0()) + (minutes / 60.0 - 12.0) / 24.0);
    let solar_minutes = minutes + equation_of_time_minutes(gamma) + 4.0 * longitude;
    let hour_angle = (solar_minutes / 4.0 - 180.0).to_radians();
    let (declination, latitude) = (declination_radians(gamma), latitude.to_radians());
    let sine = latitude.sin() * declination.sin() + latitude.cos() * declination.cos() * hour_angle.cos();
    sine.clamp(-1.0, 1.0).asin().to_degrees()
}

/// How far the sundial is ahead of the clock; `gamma` is the fraction of the year as an angle.
fn equation_of_time_minutes(gamma: f64) -> f64 {
    let series = 0.000_075 + 0.001_868 * gamma.cos()
        - 0.032_077 * gamma.sin()
        - 0.014_615 * (2.0 * gamma).cos()
        - 0.040_849 * (2.0 * gamma).sin();
    229.18 * series
}

fn declination_radians(gamma: f64) -> f64 {
    0.006_918 - 0.399_912 * gamma.cos() + 0.070_257 * gamma.sin() - 0.006_758 * (2.0 * gamma).cos()
        + 0.000_907 * (2.0 * gamma).sin()
        - 0.002_697 * (3.0 * gamma).cos()
        + 0.001_48 * (3.0 * gamma).sin()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn utc(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    /// Reda and Andreas, "Solar Position Algorithm for Solar Radiation Applications", NREL/TP-560-34302, appendix A.5:
    /// 2003-10-17 12:30:30 at UTC-7, 39.742476 N, 105.1786 W: topocentric zenith 50.11162 degrees.
    #[test]
    fn the_sun_stands_where_the_published_example_has_it() {
        let got = 90.0 - elevation_degrees(utc("2003-10-17T19:30:30Z"), 39.742_476, -105.1786);
        println!(
            "CHECK | solar zenith angle, 2003-10-17 19:30:30 UTC, 39.742 N 105.179 W, degrees | Reda and Andreas, NREL/TP-560-34302, A.5 | 50.11162 | {got:.3}"
        );
        assert!((got - 50.111_62).abs() < 0.3, "{got}");
    }

    /// By definition the declination reaches about 23.44 degrees at the solstices and passes zero at the equinoxes: at the
    /// equator's noon the zenith distance is the declination itself.
    #[test]
    fn solstice_and_equinox() {
        let highest = |day: &str| {
            let noon = utc(&format!("{day}T12:00:00Z"));
            let minutes =
                (-40..40).map(|m| elevation_degrees(noon + chrono::TimeDelta::minutes(m), 0.0, 0.0));
            90.0 - minutes.fold(f64::MIN, f64::max)
        };
        for (day, want) in [("2026-06-21", 23.44), ("2026-12-21", 23.44), ("2026-03-20", 0.0)] {
            let got = highest(day);
            assert!((got - want).abs() < 0.5, "{day}: {got}");
        }
    }

    #[test]
    fn day_and_night_by_what_is_known() {
        let noon = utc("2026-06-21T17:00:00Z");
        let midnight = utc("2026-06-21T05:00:00Z");
        let place = Place::Coordinates { latitude: 40.0, longitude: -75.0 };
        for place in [place, Place::Zone(-5 * 3600)] {
            assert_eq!(place.daylight(noon), Some(Daylight::Sun));
            assert_eq!(place.daylight(midnight), Some(Daylight::Dark));
        }
        assert_eq!(Place::Unknown.daylight(noon), None);
    }
}
