//! What a rollup says about a span of time, and how the spans of one regulator add up.
//!
//! One law serves all levels: a reading is a span of its own, a minute is its readings, an hour its minutes, a day its hours,
//! each taken in order of time.

use chrono::{DateTime, Utc};
use regulator::{Quality, Quantity, counter};

/// The measures that are rolled up, in the order of [`Bucket::measures`] and of the tables' columns.
pub(super) const MEASURES: [Quantity; 5] = [
    Quantity::LoadVoltage,
    Quantity::SourceVoltage,
    Quantity::Current,
    Quantity::RealPower,
    Quantity::ReactivePower,
];

/// Count, extremes and sum of one measure's good values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Measure {
    pub(super) n: i32,
    pub(super) min: f32,
    pub(super) max: f32,
    pub(super) sum: f64,
}

impl Measure {
    pub(super) const NONE: Self = Self { n: 0, min: f32::INFINITY, max: f32::NEG_INFINITY, sum: 0.0 };

    fn of(value: f32) -> Self {
        Self { n: 1, min: value, max: value, sum: f64::from(value) }
    }

    fn absorb(&mut self, other: &Self) {
        self.n += other.n;
        self.min = self.min.min(other.min);
        self.max = self.max.max(other.max);
        self.sum += other.sum;
    }
}

/// Extremes and ends of the good taps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Taps {
    pub(super) min: i32,
    pub(super) max: i32,
    pub(super) first: i32,
    pub(super) last: i32,
}

/// First and last good value of the operation counter, and when.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Counter {
    pub(super) first: i64,
    pub(super) first_at: DateTime<Utc>,
    pub(super) last: i64,
    pub(super) last_at: DateTime<Utc>,
}

impl Counter {
    /// Operations between the end of this span and the beginning of a later one.
    fn operations_until(&self, later: &Self, modulus: u64) -> i64 {
        #[allow(clippy::cast_precision_loss, reason = "exact for centuries of microseconds")]
        let elapsed_s = (later.first_at - self.last_at).num_microseconds().unwrap_or(i64::MAX) as f64 / 1e6;
        let count = |value: i64| u64::try_from(value).unwrap_or(0);
        let step = counter::step(count(self.last), count(later.first), modulus, elapsed_s);
        i64::try_from(step.operations()).unwrap_or(i64::MAX)
    }
}

/// One span of one regulator.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Bucket {
    pub(super) start: DateTime<Utc>,
    pub(super) readings: i32,
    pub(super) measures: [Measure; MEASURES.len()],
    pub(super) taps: Option<Taps>,
    pub(super) counter: Option<Counter>,
    pub(super) operations: i64,
}

/// The part of a stored reading that enters the rollups.
#[derive(Debug)]
pub(super) struct Sample {
    pub(super) regulator_id: i32,
    pub(super) measured_at: DateTime<Utc>,
    pub(super) load_voltage: Option<f32>,
    pub(super) source_voltage: Option<f32>,
    pub(super) current: Option<f32>,
    pub(super) real_power: Option<f32>,
    pub(super) reactive_power: Option<f32>,
    pub(super) tap: Option<i32>,
    pub(super) operations: Option<i64>,
    pub(super) quality: Vec<u8>,
}

impl Sample {
    fn good(&self, quantity: Quantity) -> bool {
        self.quality.get(quantity.index()) == Some(&Quality::Good.code())
    }

    fn measures(&self) -> [Option<f32>; MEASURES.len()] {
        [self.load_voltage, self.source_voltage, self.current, self.real_power, self.reactive_power]
    }
}

impl Bucket {
    /// A span that holds nothing yet.
    pub(super) const fn empty(start: DateTime<Utc>) -> Self {
        let measures = [Measure::NONE; MEASURES.len()];
        Self { start, readings: 0, measures, taps: None, counter: None, operations: 0 }
    }

    /// One reading as a span of its own.
    pub(super) fn of(sample: &Sample) -> Self {
        let mut bucket = Self::empty(sample.measured_at);
        bucket.readings = 1;
        for ((measure, value), quantity) in bucket.measures.iter_mut().zip(sample.measures()).zip(MEASURES) {
            if let Some(value) = value.filter(|_| sample.good(quantity)) {
                *measure = Measure::of(value);
            }
        }
        let tap = sample.tap.filter(|_| sample.good(Quantity::Tap));
        bucket.taps = tap.map(|tap| Taps { min: tap, max: tap, first: tap, last: tap });
        let counter = sample.operations.filter(|_| sample.good(Quantity::Operations));
        let at = sample.measured_at;
        bucket.counter = counter.map(|n| Counter { first: n, first_at: at, last: n, last_at: at });
        bucket
    }

    /// Adds a later span of the same regulator.
    pub(super) fn absorb(&mut self, later: &Self, modulus: u64) {
        self.readings += later.readings;
        for (mine, theirs) in self.measures.iter_mut().zip(&later.measures) {
            mine.absorb(theirs);
        }
        self.taps = match (self.taps, later.taps) {
            (Some(a), Some(b)) => {
                Some(Taps { min: a.min.min(b.min), max: a.max.max(b.max), first: a.first, last: b.last })
            }
            (a, b) => a.or(b),
        };
        self.operations += later.operations;
        self.counter = match (self.counter, later.counter) {
            (Some(a), Some(b)) => {
                self.operations += a.operations_until(&b, modulus);
                Some(Counter { last: b.last, last_at: b.last_at, ..a })
            }
            (a, b) => a.or(b),
        };
    }
}
