//! Sun and clouds: how much light a place gets, as a function of place and time alone.
//!
//! Clouds are one field of noise carried over the country by the wind, so plants near one another see the same cloud a little
//! later. How much of the sky they cover changes from day to day.

use chrono::{DateTime, Datelike, Timelike, Utc};

use crate::chance::{hash2, uniform};

/// Degrees to kilometres, north-south.
const KM_PER_DEGREE: f64 = 111.2;

/// A place on the ground, km east and north of a common origin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Place {
    pub(crate) east_km: f64,
    pub(crate) north_km: f64,
}

impl Place {
    /// Relative to an origin in degrees (a flat map, good enough for a county).
    pub(crate) fn of(latitude: f64, longitude: f64, origin: (f64, f64)) -> Self {
        Self {
            east_km: (longitude - origin.1) * KM_PER_DEGREE * origin.0.to_radians().cos(),
            north_km: (latitude - origin.0) * KM_PER_DEGREE,
        }
    }
}

/// Output of panels under a clear sky, per unit of rating: fixed, tilted at the latitude, facing the equator.
///
/// Declination and equation of time by Spencer's Fourier series (1971, shortened); air mass 1/sin(altitude) with a
/// transmittance of 0.7 to the power of air mass^0.678 (Meinel and Meinel 1976).
pub(crate) fn clear_sky(at: DateTime<Utc>, latitude: f64, longitude: f64) -> f64 {
    let day_angle = std::f64::consts::TAU * (f64::from(at.ordinal0()) / 365.25);
    let declination = 0.006_918 - 0.399_912 * day_angle.cos() + 0.070_257 * day_angle.sin()
        - 0.006_758 * (2.0 * day_angle).cos()
        + 0.000_907 * (2.0 * day_angle).sin();
    let equation_of_time_h = 3.82
        * (0.000_075 + 0.001_868 * day_angle.cos()
            - 0.032_077 * day_angle.sin()
            - 0.014_615 * (2.0 * day_angle).cos()
            - 0.040_849 * (2.0 * day_angle).sin());
    let solar_hour =
        f64::from(at.num_seconds_from_midnight()) / 3600.0 + longitude / 15.0 + equation_of_time_h;
    let hour_angle = ((solar_hour - 12.0) * 15.0).to_radians();
    let latitude = latitude.to_radians();
    let sin_altitude =
        latitude.sin() * declination.sin() + latitude.cos() * declination.cos() * hour_angle.cos();
    // An array tilted at the latitude sees the sun as a flat one on the equator would.
    let incidence = declination.cos() * hour_angle.cos();
    if sin_altitude <= 0.02 || incidence <= 0.0 {
        return 0.0;
    }
    let through_air = 0.7_f64.powf(sin_altitude.powf(-0.678));
    (1.35 * incidence * through_air).min(1.0)
}

/// The clouds of one seed.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Clouds {
    seed: u64,
}

/// What the whole sky does at one instant; made once a step and used for every place.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sky {
    seed: u64,
    /// How far the field has drifted, km.
    drift: Place,
    /// Noise above this is cloud.
    threshold: f64,
}

/// Wind that carries the clouds, m/s east and north.
const WIND: (f64, f64) = (8.5, 2.5);
/// Size of the large and of the small clouds, km.
const SIZES: [(f64, f64); 2] = [(3.4, 0.65), (1.3, 0.35)];

impl Clouds {
    pub(crate) const fn new(seed: u64) -> Self {
        Self { seed }
    }

    /// The sky at this instant.
    pub(crate) fn at(&self, at: DateTime<Utc>) -> Sky {
        #[allow(clippy::cast_precision_loss, reason = "seconds since 1970 fit exactly")]
        let seconds = at.timestamp() as f64;
        Sky {
            seed: self.seed,
            // A day's drift is 700 km; starting every 30 days anew keeps the numbers small.
            drift: Place {
                east_km: (seconds % 2_592_000.0) * WIND.0 / 1000.0,
                north_km: (seconds % 2_592_000.0) * WIND.1 / 1000.0,
            },
            threshold: self.threshold(seconds / 86_400.0),
        }
    }

    /// Between one day's noon and the next the cover drifts from the one's to the other's. Noon is taken as 19:00 UTC.
    fn threshold(&self, days: f64) -> f64 {
        let since_noon = days - 19.0 / 24.0;
        let day = since_noon.floor();
        #[allow(clippy::cast_possible_truncation, reason = "a number of days")]
        let number = day as i64;
        let share = smooth((since_noon - day - 0.25).clamp(0.0, 0.5) * 2.0);
        let [a, b] = [number, number + 1].map(|n| self.threshold_of_day(n));
        a + (b - a) * share
    }

    /// A third of the days is clear, nearly half broken, the rest overcast.
    fn threshold_of_day(&self, day: i64) -> f64 {
        match uniform(hash2(self.seed, day.cast_unsigned())) {
            u if u < 0.34 => 1.05,
            u if u < 0.80 => 0.46 + 0.2 * (u - 0.34),
            u => 0.20 + 0.3 * (u - 0.80),
        }
    }
}

impl Sky {
    /// Share of the clear sky's light that reaches this place: 1 in the open, about a quarter under a cloud.
    pub(crate) fn light(&self, place: Place) -> f64 {
        if self.threshold >= 1.0 {
            return 1.0;
        }
        let mut density = 0.0;
        for (octave, (size_km, weight)) in (1_u64..).zip(SIZES) {
            let x = (place.east_km - self.drift.east_km) / size_km;
            let y = (place.north_km - self.drift.north_km) / size_km;
            density += weight * noise(self.seed ^ octave, x, y);
        }
        1.0 - 0.75 * smooth(((density - self.threshold) / 0.08).clamp(0.0, 1.0))
    }
}

/// Value noise: random numbers at whole coordinates, blended smoothly between; 0 to 1.
fn noise(seed: u64, x: f64, y: f64) -> f64 {
    let (x0, y0) = (x.floor(), y.floor());
    let (fx, fy) = (smooth(x - x0), smooth(y - y0));
    #[allow(clippy::cast_possible_truncation, reason = "cells are within a few thousand of the origin")]
    let (column, row) = (x0 as i64, y0 as i64);
    let corner = |dx: i64, dy: i64| {
        let cell = (column + dx).cast_unsigned() ^ (row + dy).cast_unsigned().rotate_left(32);
        uniform(hash2(seed, cell))
    };
    let south = corner(0, 0) * (1.0 - fx) + corner(1, 0) * fx;
    let north = corner(0, 1) * (1.0 - fx) + corner(1, 1) * fx;
    south * (1.0 - fy) + north * fy
}

fn smooth(x: f64) -> f64 {
    x * x * (3.0 - 2.0 * x)
}

#[cfg(test)]
mod tests {
    use chrono::TimeDelta;

    use super::*;

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    /// Solar noon at 102.5 degrees west is about 18:50 UTC: plain astronomy, to a quarter of an hour.
    #[test]
    fn the_sun_peaks_at_noon_and_sets() {
        for day in ["2026-12-21", "2026-03-20", "2026-06-21"] {
            let midnight = at(&format!("{day}T07:00:00Z"));
            let minutes = (0..1440).map(|m| midnight + TimeDelta::minutes(m));
            let brightest = minutes
                .max_by(|a, b| clear_sky(*a, 38.5, -102.5).total_cmp(&clear_sky(*b, 38.5, -102.5)))
                .unwrap();
            let off = (brightest - at(&format!("{day}T18:50:00Z"))).num_minutes();
            assert!(off.abs() <= 15, "{day}: {brightest}");
            assert!(clear_sky(brightest, 38.5, -102.5) > 0.6);
            assert!(clear_sky(midnight, 38.5, -102.5) == 0.0);
        }
    }

    #[test]
    fn the_same_cloud_reaches_the_next_plant_later() {
        let broken = Sky { seed: 5, drift: Place { east_km: 0.0, north_km: 0.0 }, threshold: 0.5 };
        let later = Sky { drift: Place { east_km: 0.85, north_km: 0.25 }, ..broken };
        for k in 0..50 {
            let here = Place { east_km: f64::from(k) * 0.3, north_km: 1.0 };
            let downwind = Place { east_km: here.east_km + 0.85, north_km: 1.25 };
            assert!((broken.light(here) - later.light(downwind)).abs() < 1e-9);
        }
    }

    #[test]
    fn some_days_are_clear_and_some_are_not() {
        let clouds = Clouds::new(11);
        let clear = (0..1000).filter(|d| clouds.threshold_of_day(*d) >= 1.0).count();
        assert!((280..400).contains(&clear), "{clear}");
    }
}
