//! A reading as a row of the `reading` table, both ways.

use chrono::{DateTime, Utc};
use regulator::{Quality, Quantity, Reading, TimeSource};

use super::copy::CopyBuffer;

/// The statement that takes what [`encoded`] returns.
pub const COPY_READING: &str = "copy reading (regulator_id, measured_at, load_voltage, source_voltage, \
     current, real_power, reactive_power, power_factor, tap, operations, automatic, blocked, at_neutral, reverse_flow, \
     set_voltage, bandwidth, time_delay, ldc_resistance, ldc_reactance, voltage_distortion, current_distortion, \
     tap_in_progress, quality, time_source, age) from stdin (format binary)";

/// About what one encoded row takes, bytes.
pub(super) const ROW_BYTES: usize = 170;

/// The readings as the data of [`COPY_READING`].
#[must_use]
pub fn encoded(readings: &[(i32, Reading)]) -> Vec<u8> {
    let mut rows = CopyBuffer::with_capacity(readings.len() * ROW_BYTES);
    for (regulator_id, reading) in readings {
        encode(&mut rows, *regulator_id, reading);
    }
    rows.finish()
}

/// Adds one reading as a row.
pub(super) fn encode(copy: &mut CopyBuffer, regulator_id: i32, reading: &Reading) {
    copy.row(25);
    copy.i32(regulator_id);
    copy.timestamp(reading.measured_at);
    let mut quality = [0; Quantity::COUNT];
    for &quantity in Quantity::ALL {
        let value = reading.value(quantity);
        let fits = match quantity {
            Quantity::Tap => fit(value, tap, |v| copy.i32(v)),
            Quantity::Operations => fit(value, counter, |v| copy.i64(v)),
            q if q.is_flag() => fit(value, |v| Some(v != 0.0), |v| copy.bool(v)),
            _ => fit(value, real, |v| copy.f32(v)),
        };
        quality[quantity.index()] = match reading.quality(quantity) {
            Quality::Good if !fits => Quality::OutOfRange,
            // no counter counts below zero, though the column could hold it
            Quality::Good if quantity == Quantity::Operations && value.is_some_and(|v| v < 0.0) => {
                Quality::OutOfRange
            }
            other => other,
        }
        .code();
    }
    let reported = quality.iter().rposition(|code| *code != 0).map_or(0, |last| last + 1);
    copy.short_bytes(&quality[..reported]);
    copy.i16(reading.time_source.stored());
    match reading.age_bytes() {
        Some(ages) => copy.short_bytes(&ages),
        None => copy.null(),
    }
}

/// Writes a value in its column's type, or null where it does not fit; says whether it did.
fn fit<T>(value: Option<f64>, convert: impl Fn(f64) -> Option<T>, mut write: impl FnMut(Option<T>)) -> bool {
    let converted = value.and_then(convert);
    let fits = converted.is_some() || value.is_none();
    write(converted);
    fits
}

#[allow(clippy::cast_possible_truncation, reason = "checked against the type's range")]
fn tap(value: f64) -> Option<i32> {
    let value = value.round();
    (f64::from(i32::MIN)..=f64::from(i32::MAX)).contains(&value).then_some(value as i32)
}

#[allow(clippy::cast_possible_truncation, reason = "checked against the type's range")]
fn counter(value: f64) -> Option<i64> {
    const LIMIT: f64 = 9_223_372_036_854_775_808.0;
    let value = value.round();
    (-LIMIT..LIMIT).contains(&value).then_some(value as i64)
}

#[allow(clippy::cast_possible_truncation, reason = "an infinite outcome is refused")]
fn real(value: f64) -> Option<f32> {
    Some(value as f32).filter(|v| v.is_finite())
}

/// One row as stored.
#[derive(Debug)]
pub(super) struct Row {
    pub(super) regulator_id: i32,
    pub(super) measured_at: DateTime<Utc>,
    pub(super) load_voltage: Option<f32>,
    pub(super) source_voltage: Option<f32>,
    pub(super) current: Option<f32>,
    pub(super) real_power: Option<f32>,
    pub(super) reactive_power: Option<f32>,
    pub(super) power_factor: Option<f32>,
    pub(super) tap: Option<i32>,
    pub(super) operations: Option<i64>,
    pub(super) automatic: Option<bool>,
    pub(super) blocked: Option<bool>,
    pub(super) at_neutral: Option<bool>,
    pub(super) reverse_flow: Option<bool>,
    pub(super) set_voltage: Option<f32>,
    pub(super) bandwidth: Option<f32>,
    pub(super) time_delay: Option<f32>,
    pub(super) ldc_resistance: Option<f32>,
    pub(super) ldc_reactance: Option<f32>,
    pub(super) voltage_distortion: Option<f32>,
    pub(super) current_distortion: Option<f32>,
    pub(super) tap_in_progress: Option<bool>,
    pub(super) quality: Vec<u8>,
    pub(super) time_source: Option<i16>,
    pub(super) age: Option<Vec<u8>>,
}

impl Row {
    /// The reading that this row holds.
    pub(super) fn reading(&self) -> Reading {
        let mut reading = Reading::new(self.measured_at);
        for (&quantity, &code) in Quantity::ALL.iter().zip(&self.quality) {
            reading.set(quantity, self.value(quantity), Quality::from_code(code));
        }
        reading.time_source = TimeSource::from_stored(self.time_source);
        reading.set_age_bytes(self.age.as_deref().unwrap_or_default());
        reading
    }

    fn value(&self, quantity: Quantity) -> Option<f64> {
        let real = |v: Option<f32>| v.map(f64::from);
        let flag = |v: Option<bool>| v.map(|v| if v { 1.0 } else { 0.0 });
        match quantity {
            Quantity::LoadVoltage => real(self.load_voltage),
            Quantity::SourceVoltage => real(self.source_voltage),
            Quantity::Current => real(self.current),
            Quantity::RealPower => real(self.real_power),
            Quantity::ReactivePower => real(self.reactive_power),
            Quantity::PowerFactor => real(self.power_factor),
            Quantity::Tap => self.tap.map(f64::from),
            #[allow(clippy::cast_precision_loss, reason = "it came from an f64")]
            Quantity::Operations => self.operations.map(|v| v as f64),
            Quantity::Automatic => flag(self.automatic),
            Quantity::Blocked => flag(self.blocked),
            Quantity::AtNeutral => flag(self.at_neutral),
            Quantity::ReverseFlow => flag(self.reverse_flow),
            Quantity::SetVoltage => real(self.set_voltage),
            Quantity::Bandwidth => real(self.bandwidth),
            Quantity::TimeDelay => real(self.time_delay),
            Quantity::LdcResistance => real(self.ldc_resistance),
            Quantity::LdcReactance => real(self.ldc_reactance),
            Quantity::VoltageDistortion => real(self.voltage_distortion),
            Quantity::CurrentDistortion => real(self.current_distortion),
            Quantity::TapInProgress => flag(self.tap_in_progress),
        }
    }
}
