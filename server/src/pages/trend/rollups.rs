//! A trend of rollups: mean, lowest and highest of each bucket.

use chrono::TimeDelta;
use regulator::Timestamp;
use sqlx::PgConnection;

use super::{
    resolution::Resolution,
    series::{Point, Series},
};

/// One bucket as stored.
struct Bucket {
    bucket: Timestamp,
    load_voltage_n: i32,
    load_voltage_min: Option<f32>,
    load_voltage_max: Option<f32>,
    load_voltage_sum: Option<f64>,
    current_n: i32,
    current_min: Option<f32>,
    current_max: Option<f32>,
    current_sum: Option<f64>,
    real_power_n: i32,
    real_power_min: Option<f32>,
    real_power_max: Option<f32>,
    real_power_sum: Option<f64>,
    tap_min: Option<i32>,
    tap_max: Option<i32>,
    tap_last: Option<i32>,
}

macro_rules! buckets {
    ($connection:expr, $table:literal, $regulator:expr, $from:expr, $to:expr) => {
        sqlx::query_as!(
            Bucket,
            "select bucket, load_voltage_n, load_voltage_min, load_voltage_max, load_voltage_sum,
                current_n, current_min, current_max, current_sum,
                real_power_n, real_power_min, real_power_max, real_power_sum, tap_min, tap_max, tap_last
            from "
                + $table
                + " where regulator_id = $1 and bucket >= $2 and bucket < $3 order by bucket",
            $regulator,
            $from,
            $to
        )
        .fetch_all($connection)
        .await?
    };
}

/// The buckets of one regulator that begin in the range, or hold its beginning.
pub(super) async fn load(
    connection: &mut PgConnection,
    regulator: i32,
    (from, to): (Timestamp, Timestamp),
    resolution: Resolution,
) -> sqlx::Result<Series> {
    let rows = match resolution {
        Resolution::Readings | Resolution::Minutes(_) => {
            buckets!(connection, "rollup_minute", regulator, from - TimeDelta::minutes(1), to)
        }
        Resolution::Hours(_) => {
            buckets!(connection, "rollup_hour", regulator, from - TimeDelta::hours(1), to)
        }
        Resolution::Days => buckets!(connection, "rollup_day", regulator, from - TimeDelta::hours(25), to),
    };
    Ok(joined(rows, resolution.bucket()))
}

/// Joins neighbouring buckets to ones of `length`.
fn joined(rows: Vec<Bucket>, length: TimeDelta) -> Series {
    let ms = length.num_milliseconds().max(1);
    // Days are 23 to 25 hours long; the rest is regular.
    let longest = length + length / 2;
    let mut series = Series::with_capacity(rows.len());
    let mut rows = rows.into_iter().peekable();
    while let Some(first) = rows.next() {
        let slot = |b: &Bucket| b.bucket.timestamp_millis().div_euclid(ms);
        let (at, place) = (first.bucket, slot(&first));
        let mut sum = Sum::of(&first);
        // A day is never joined with another: each begins at the site's midnight.
        while length < TimeDelta::days(1)
            && let Some(next) = rows.next_if(|b| slot(b) == place)
        {
            sum.add(&next);
        }
        series.gap_before(at, longest, true);
        series.push_bucket(at, sum.points());
    }
    series
}

/// One or more buckets together.
struct Sum {
    voltage: Part,
    current: Part,
    power: Part,
    tap: Point,
}

#[derive(Clone, Copy)]
struct Part {
    n: i32,
    sum: f64,
    min: Option<f32>,
    max: Option<f32>,
}

impl Part {
    fn new(n: i32, sum: Option<f64>, min: Option<f32>, max: Option<f32>) -> Self {
        Self { n, sum: sum.unwrap_or(0.0), min, max }
    }

    fn add(&mut self, other: Self) {
        self.n += other.n;
        self.sum += other.sum;
        self.min = least(self.min, other.min);
        self.max = most(self.max, other.max);
    }

    fn point(self) -> Point {
        #[allow(clippy::cast_possible_truncation, reason = "a mean of f32 values fits one")]
        let value = (self.n > 0).then(|| (self.sum / f64::from(self.n)) as f32);
        Point { value, min: self.min, max: self.max }
    }
}

fn least(a: Option<f32>, b: Option<f32>) -> Option<f32> {
    a.into_iter().chain(b).reduce(f32::min)
}

fn most(a: Option<f32>, b: Option<f32>) -> Option<f32> {
    a.into_iter().chain(b).reduce(f32::max)
}

impl Sum {
    fn of(b: &Bucket) -> Self {
        let tap = |t: Option<i32>| t.map(super::tap);
        Self {
            voltage: Part::new(b.load_voltage_n, b.load_voltage_sum, b.load_voltage_min, b.load_voltage_max),
            current: Part::new(b.current_n, b.current_sum, b.current_min, b.current_max),
            power: Part::new(b.real_power_n, b.real_power_sum, b.real_power_min, b.real_power_max),
            tap: Point { value: tap(b.tap_last), min: tap(b.tap_min), max: tap(b.tap_max) },
        }
    }

    fn add(&mut self, b: &Bucket) {
        let other = Self::of(b);
        self.voltage.add(other.voltage);
        self.current.add(other.current);
        self.power.add(other.power);
        self.tap = Point {
            value: other.tap.value.or(self.tap.value),
            min: least(self.tap.min, other.tap.min),
            max: most(self.tap.max, other.tap.max),
        };
    }

    fn points(self) -> [Point; super::series::COLUMNS] {
        [self.voltage.point(), self.current.point(), self.power.point(), self.tap]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bucket(minute: i64, volts: f32, tap: i32) -> Bucket {
        Bucket {
            bucket: chrono::DateTime::from_timestamp(minute * 60, 0).unwrap(),
            load_voltage_n: 6,
            load_voltage_min: Some(volts - 1.0),
            load_voltage_max: Some(volts + 1.0),
            load_voltage_sum: Some(6.0 * f64::from(volts)),
            current_n: 0,
            current_min: None,
            current_max: None,
            current_sum: None,
            real_power_n: 0,
            real_power_min: None,
            real_power_max: None,
            real_power_sum: None,
            tap_min: Some(tap),
            tap_max: Some(tap),
            tap_last: Some(tap),
        }
    }

    #[test]
    fn joined_buckets_keep_the_extremes_and_a_missing_one_is_a_gap() {
        let rows = vec![bucket(0, 120.0, 3), bucket(1, 122.0, 4), bucket(6, 118.0, 4)];
        let series = joined(rows, TimeDelta::minutes(2));
        assert_eq!(series.t, [0, 180_000, 360_000]);
        let volts = &series.columns[0];
        assert_eq!(volts.value, [Some(121.0), None, Some(118.0)]);
        assert_eq!((volts.min[0], volts.max[0]), (Some(119.0), Some(123.0)));
        assert_eq!(series.columns[1].value, [None, None, None]);
        assert_eq!(series.columns[3].value[0], Some(4.0));
        assert_eq!(series.columns[3].min[0], Some(3.0));
    }
}
