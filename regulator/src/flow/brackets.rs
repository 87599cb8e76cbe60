//! Operations with the voltages just before and just after each.
//!
//! The bracket of an operation opens with the last reading that shows the old tap and closes with the first that shows the new one
//! twice in a row: the reading in which the tap changed may still hold a voltage measured before it. While taps follow one another
//! at every reading, each bracket ends where the next begins, so that steps and volts add up over the sequence whichever of the two
//! was read first. What happens across a gap of ten minutes says nothing about the tap and is dropped.
//!
//! Where only changes are reported (DNP3 events), a load voltage may be carried from before the tap changed. It closes a
//! bracket half a minute after the change: had it moved by more than its deadband, that would have been told by then.

use serde::{Deserialize, Serialize};

use crate::{Age, Quantity, Reading, Timestamp};

/// Readings further apart than this do not bracket an operation.
const LONGEST_GAP_MS: i64 = 600_000;
/// A change of the load voltage would have been reported so long after the tap's.
const TOLD_BY_MS: i64 = 30_000;
/// Readings over which the noise is averaged.
const NOISE_MEMORY: f32 = 32.0;
/// Noise assumed before any was seen, V (0.1 V registers and a quiet feeder; common practice).
const NOISE_FIRST_V: f32 = 0.1;

/// The tap, the voltages and the power of one reading.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Seen {
    /// Milliseconds since 1970.
    #[serde(rename = "t")]
    at_ms: i64,
    #[serde(rename = "n")]
    tap: i16,
    #[serde(rename = "l")]
    load_v: f32,
    #[serde(rename = "s", skip_serializing_if = "Option::is_none", default)]
    source_v: Option<f32>,
    #[serde(rename = "p", skip_serializing_if = "Option::is_none", default)]
    power_kw: Option<f32>,
}

/// One or more steps one way, and what changed across them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Operation {
    /// The last reading before.
    pub from: Timestamp,
    /// The reading that closed the bracket.
    pub at: Timestamp,
    /// Steps, raise positive; never zero.
    pub steps: i32,
    /// The tap after.
    pub tap: i32,
    /// Load voltage after, V on the secondary base.
    pub load_v: f64,
    /// Change of the load voltage, V.
    pub load_change_v: f64,
    /// Source voltage after, V.
    pub source_v: Option<f64>,
    /// Change of the source voltage, V.
    pub source_change_v: Option<f64>,
    /// Change of real power, kW.
    pub power_change_kw: Option<f64>,
    /// What the load voltage changes by between two readings without an operation, V (root mean square).
    pub noise_v: f64,
}

/// The state: the last reading, the reading that opened a bracket, and the noise.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Brackets {
    #[serde(rename = "l", skip_serializing_if = "Option::is_none")]
    last: Option<Seen>,
    #[serde(rename = "o", skip_serializing_if = "Option::is_none")]
    open: Option<Seen>,
    /// When the tap last changed, while a bracket is open, milliseconds since 1970.
    #[serde(rename = "m", skip_serializing_if = "Option::is_none")]
    moved_ms: Option<i64>,
    /// Mean square of the change between readings without an operation, V²; 0 before there was any.
    #[serde(rename = "v")]
    noise_v2: f32,
}

impl Brackets {
    /// Takes one reading; an operation if it closes one. A reading without a good tap and load voltage is passed over.
    #[inline]
    pub fn observe(&mut self, reading: &Reading) -> Option<Operation> {
        let now = Seen::of(reading)?;
        let last = self.last.replace(now)?;
        if now.at_ms - last.at_ms > LONGEST_GAP_MS {
            self.open = None;
            return None;
        }
        let age = reading.age(Quantity::LoadVoltage);
        let carried = age != Age::NONE && now.at_ms - milliseconds(age) < last.at_ms;
        if now.tap != last.tap {
            self.moved_ms = Some(now.at_ms);
            return self.moved(last, now, carried);
        }
        let settled = |moved: i64| !carried || now.at_ms - moved >= TOLD_BY_MS;
        match self.open {
            Some(before) if self.moved_ms.is_none_or(settled) => {
                (self.open, self.moved_ms) = (None, None);
                self.operation(before, now, last.tap)
            }
            None if !carried => {
                self.hear(f64::from(now.load_v - last.load_v));
                None
            }
            _ => None,
        }
    }

    /// Whether no reading is remembered.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.last.is_none()
    }

    /// Forgets the last readings, not the noise: what follows is not next to them, or their times were wrong.
    pub const fn forget(&mut self) {
        self.last = None;
        self.open = None;
        self.moved_ms = None;
    }

    /// The tap has changed with this reading: a bracket opens, or one closes with the steps before and the next begins.
    fn moved(&mut self, last: Seen, now: Seen, carried: bool) -> Option<Operation> {
        let Some(before) = self.open else {
            self.open = Some(last);
            return None;
        };
        if carried {
            return None;
        }
        self.open = Some(Seen { tap: last.tap, ..now });
        self.operation(before, now, last.tap)
    }

    fn operation(&self, before: Seen, after: Seen, tap: i16) -> Option<Operation> {
        let steps = i32::from(tap) - i32::from(before.tap);
        let change = |after: Option<f32>, before: Option<f32>| Some(f64::from(after?) - f64::from(before?));
        (steps != 0).then(|| Operation {
            from: instant(before.at_ms),
            at: instant(after.at_ms),
            steps,
            tap: tap.into(),
            load_v: after.load_v.into(),
            load_change_v: f64::from(after.load_v) - f64::from(before.load_v),
            source_v: after.source_v.map(f64::from),
            source_change_v: change(after.source_v, before.source_v),
            power_change_kw: change(after.power_kw, before.power_kw),
            noise_v: self.noise_v(),
        })
    }

    #[allow(clippy::cast_possible_truncation, reason = "stored short on purpose")]
    fn hear(&mut self, change_v: f64) {
        let square = (change_v * change_v) as f32;
        if self.noise_v2 == 0.0 {
            self.noise_v2 = NOISE_FIRST_V * NOISE_FIRST_V;
        }
        self.noise_v2 += (square - self.noise_v2) / NOISE_MEMORY;
    }

    fn noise_v(&self) -> f64 {
        let square = if self.noise_v2 == 0.0 { NOISE_FIRST_V * NOISE_FIRST_V } else { self.noise_v2 };
        f64::from(square).sqrt()
    }
}

impl Seen {
    #[allow(clippy::cast_possible_truncation, reason = "a tap is checked; volts are stored short on purpose")]
    fn of(reading: &Reading) -> Option<Self> {
        let tap = reading.good(Quantity::Tap)?;
        let load_v = reading.good(Quantity::LoadVoltage)?;
        (tap.abs() < 1000.0).then(|| Self {
            at_ms: reading.measured_at.timestamp_millis(),
            tap: tap.round() as i16,
            load_v: load_v as f32,
            source_v: reading.good(Quantity::SourceVoltage).map(|v| v as f32),
            power_kw: reading.good(Quantity::RealPower).map(|v| v as f32),
        })
    }
}

fn milliseconds(age: Age) -> i64 {
    i64::try_from(age.seconds()).map_or(i64::MAX / 2, |s| s * 1000)
}

fn instant(ms: i64) -> Timestamp {
    Timestamp::from_timestamp_millis(ms).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(s: i64) -> Timestamp {
        Timestamp::UNIX_EPOCH + chrono::TimeDelta::seconds(s)
    }

    fn reading(s: i64, tap: f64, load: f64) -> Reading {
        Reading::new(at(s)).with(Quantity::Tap, tap).with(Quantity::LoadVoltage, load)
    }

    fn run(readings: &[(i64, f64, f64)]) -> Vec<(i32, f64)> {
        let mut brackets = Brackets::default();
        let seen = readings.iter().filter_map(|&(s, tap, load)| brackets.observe(&reading(s, tap, load)));
        seen.map(|o| (o.steps, (o.load_change_v * 100.0).round() / 100.0)).collect()
    }

    #[test]
    fn a_voltage_read_before_its_tap_is_waited_for() {
        assert_eq!(run(&[(0, 3.0, 120.0), (10, 4.0, 120.0), (20, 4.0, 120.75)]), [(1, 0.75)]);
        assert_eq!(run(&[(0, 3.0, 120.0), (10, 4.0, 120.75), (20, 4.0, 120.75)]), [(1, 0.75)]);
    }

    #[test]
    fn steps_and_volts_of_a_sequence_add_up() {
        let sequence =
            [(0, 0.0, 120.0), (10, 1.0, 120.0), (20, 2.0, 120.75), (30, 3.0, 121.5), (40, 3.0, 122.25)];
        let seen = run(&sequence);
        assert_eq!(seen.iter().map(|o| o.0).sum::<i32>(), 3);
        assert!((seen.iter().map(|o| o.1).sum::<f64>() - 2.25).abs() < 1e-9, "{seen:?}");
    }

    #[test]
    fn a_gap_brackets_nothing() {
        assert_eq!(run(&[(0, 3.0, 120.0), (700, 4.0, 120.75), (710, 4.0, 120.75)]), []);
    }

    #[test]
    fn a_carried_voltage_is_waited_for_or_taken_for_unchanged_after_half_a_minute() {
        let carried = |s, tap, load, age| {
            let mut reading = reading(s, tap, load);
            reading.set_age(Quantity::LoadVoltage, Age::from_seconds(age));
            reading
        };
        let changes = |readings: &[Reading]| {
            let mut brackets = Brackets::default();
            readings.iter().filter_map(|r| brackets.observe(r)).map(|o| o.load_change_v).collect::<Vec<_>>()
        };
        let answered = [
            reading(0, 3.0, 120.0),
            carried(10, 4.0, 120.0, 10),
            carried(12, 4.0, 120.0, 12),
            reading(14, 4.0, 120.75),
        ];
        assert_eq!(changes(&answered), [0.75]);
        let unanswered = [reading(0, 3.0, 120.0), carried(10, 4.0, 120.0, 10), carried(60, 4.0, 120.0, 59)];
        assert_eq!(changes(&unanswered), [0.0]);
        assert_eq!(changes(&unanswered[..2]), [0.0; 0]);
    }
}
