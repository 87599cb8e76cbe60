//! The points of one regulator's trend, column by column.

use chrono::TimeDelta;
use regulator::Timestamp;
use serde::Serialize;

/// One quantity over time. A value that is missing or not good is nothing, never zero.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub(crate) struct Column {
    /// The value itself, or the mean of a bucket; for taps the last of it.
    pub(crate) value: Vec<Option<f32>>,
    /// Lowest of each bucket; empty for readings.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub(crate) min: Vec<Option<f32>>,
    /// Highest of each bucket; empty for readings.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub(crate) max: Vec<Option<f32>>,
}

/// What one point of one quantity is.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Point {
    pub(crate) value: Option<f32>,
    pub(crate) min: Option<f32>,
    pub(crate) max: Option<f32>,
}

/// The quantities that trends show.
pub(crate) const COLUMNS: usize = 4;

/// Everything that trends show of one regulator.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub(crate) struct Series {
    /// Milliseconds since 1970.
    pub(crate) t: Vec<i64>,
    /// Load voltage, current, real power, tap.
    pub(crate) columns: [Column; COLUMNS],
}

impl Series {
    /// Room for this many points.
    pub(crate) fn with_capacity(points: usize) -> Self {
        let mut series = Self { t: Vec::with_capacity(points), ..Self::default() };
        for column in &mut series.columns {
            column.value.reserve(points);
        }
        series
    }

    /// Adds readings' values at one instant.
    pub(crate) fn push(&mut self, at: Timestamp, values: [Option<f32>; COLUMNS]) {
        self.t.push(at.timestamp_millis());
        for (column, value) in self.columns.iter_mut().zip(values) {
            column.value.push(value);
        }
    }

    /// Adds a bucket.
    pub(crate) fn push_bucket(&mut self, at: Timestamp, points: [Point; COLUMNS]) {
        self.push(at, points.map(|p| p.value));
        for (column, point) in self.columns.iter_mut().zip(points) {
            column.min.push(point.min);
            column.max.push(point.max);
        }
    }

    /// Ends the line here when more than `longest` passes before `next`: silence is shown as a gap, not bridged.
    pub(crate) fn gap_before(&mut self, next: Timestamp, longest: TimeDelta, buckets: bool) {
        let Some(&last) = self.t.last() else { return };
        if next.timestamp_millis() - last <= longest.num_milliseconds() {
            return;
        }
        self.t.push(last + longest.num_milliseconds());
        for column in &mut self.columns {
            column.value.push(None);
            if buckets {
                column.min.push(None);
                column.max.push(None);
            }
        }
    }

    /// Lowest, mean and highest good value of a column. The mean weighs points alike.
    pub(crate) fn summary(&self, column: usize) -> Option<(f64, f64, f64)> {
        let column = self.columns.get(column)?;
        let values = || column.value.iter().flatten().map(|v| f64::from(*v));
        let low = column.min.iter().flatten().map(|v| f64::from(*v)).chain(values()).reduce(f64::min)?;
        let high = column.max.iter().flatten().map(|v| f64::from(*v)).chain(values()).reduce(f64::max)?;
        let (sum, n) = values().fold((0.0, 0.0), |(sum, n), v| (sum + v, n + 1.0));
        Some((low, sum / n, high))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: i64) -> Timestamp {
        chrono::DateTime::from_timestamp(seconds, 0).unwrap()
    }

    #[test]
    fn silence_is_a_gap() {
        let mut series = Series::default();
        let longest = TimeDelta::seconds(30);
        for (s, v) in [(0, 1.0), (10, 2.0), (100, 3.0)] {
            series.gap_before(at(s), longest, false);
            series.push(at(s), [Some(v), None, None, None]);
        }
        assert_eq!(series.t, [0, 10_000, 40_000, 100_000]);
        assert_eq!(series.columns[0].value, [Some(1.0), Some(2.0), None, Some(3.0)]);
        assert_eq!(series.summary(0), Some((1.0, 2.0, 3.0)));
        assert_eq!(series.summary(1), None);
    }
}
