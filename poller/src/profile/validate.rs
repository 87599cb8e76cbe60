//! Judging a reading by the ones before it: a counter that jumped, measurements that have stopped moving.

use regulator::{Nameplate, Quality, Quantity, Reading, Timestamp, counter};

/// Readings in a row, all alike, before measurements count as frozen.
const FROZEN_POLLS: u32 = 60;
/// And for at least this long, seconds.
const FROZEN_SECONDS: i64 = 600;
/// A load voltage below this share of the base is a dead line, whose measurements rightly stay at zero.
const DEAD_LINE: f64 = 0.1;

/// Quantities that are measured, and so carry noise while a control is alive.
const MEASURED: [Quantity; 6] = [
    Quantity::LoadVoltage,
    Quantity::SourceVoltage,
    Quantity::Current,
    Quantity::RealPower,
    Quantity::ReactivePower,
    Quantity::PowerFactor,
];
/// Quantities whose change also proves a control alive.
const MOVING: [Quantity; 2] = [Quantity::Tap, Quantity::Operations];

/// What one regulator's earlier readings say about the next.
///
/// - A counter that jumped further than a mechanism can tap is [`Quality::Implausible`] for one reading; its value is then the new
///   base (the control was replaced, or the counter set by hand).
/// - Measured quantities are [`Quality::Frozen`] once load voltage, every other good measured quantity, tap and counter have been
///   identical to the last bit for more than 60 readings and at least ten minutes. The rule is meant to err towards calling
///   a live control live: it needs load voltage and at least one other measurement, and never holds for a dead line.
#[derive(Debug, Clone)]
pub struct Validator {
    modulus: u64,
    base_v: f64,
    counter: Option<(u64, Timestamp)>,
    still: Option<Still>,
}

#[derive(Debug, Clone)]
struct Still {
    values: [Option<u64>; MEASURED.len() + MOVING.len()],
    since: Timestamp,
    readings: u32,
}

impl Validator {
    /// For one regulator whose control was not read before.
    #[must_use]
    pub const fn new(nameplate: &Nameplate) -> Self {
        Self {
            modulus: nameplate.counter_modulus,
            base_v: nameplate.voltage_base_v,
            counter: None,
            still: None,
        }
    }

    /// Lowers the quality of what cannot be right given the readings before; remembers this one.
    pub fn judge(&mut self, reading: &mut Reading) {
        self.judge_counter(reading);
        self.judge_movement(reading);
    }

    /// The same for a control that reports by exception: there, values that stay the same are no sign of anything.
    pub fn judge_reported(&mut self, reading: &mut Reading) {
        self.judge_counter(reading);
    }

    fn judge_counter(&mut self, reading: &mut Reading) {
        let Some(value) = reading.good(Quantity::Operations) else { return };
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "good counters are whole and not negative"
        )]
        let count = value as u64;
        let at = reading.measured_at;
        let earlier = self.counter.replace((count, at));
        let Some((before, then)) = earlier else { return };
        #[allow(clippy::cast_precision_loss, reason = "milliseconds between readings are few")]
        let elapsed_s = (at - then).num_milliseconds().max(0) as f64 / 1000.0;
        if counter::step(before, count, self.modulus, elapsed_s) == counter::Step::Jumped {
            reading.set(Quantity::Operations, Some(value), Quality::Implausible);
        }
    }

    fn judge_movement(&mut self, reading: &mut Reading) {
        if !self.could_freeze(reading) {
            self.still = None;
            return;
        }
        let values = fingerprint(reading);
        match &mut self.still {
            Some(still) if still.values == values => {
                still.readings = still.readings.saturating_add(1);
                let long = (reading.measured_at - still.since).num_seconds() >= FROZEN_SECONDS;
                if still.readings > FROZEN_POLLS && long {
                    mark_frozen(reading);
                }
            }
            _ => self.still = Some(Still { values, since: reading.measured_at, readings: 1 }),
        }
    }

    fn could_freeze(&self, reading: &Reading) -> bool {
        let live = reading.good(Quantity::LoadVoltage).is_some_and(|v| v.abs() >= DEAD_LINE * self.base_v);
        live && MEASURED.iter().filter(|q| reading.good(**q).is_some()).count() >= 2
    }
}

fn fingerprint(reading: &Reading) -> [Option<u64>; MEASURED.len() + MOVING.len()] {
    let mut values = [None; MEASURED.len() + MOVING.len()];
    for (slot, quantity) in values.iter_mut().zip(MEASURED.iter().chain(&MOVING)) {
        *slot = reading.value(*quantity).map(f64::to_bits);
    }
    values
}

fn mark_frozen(reading: &mut Reading) {
    for quantity in MEASURED {
        if let Some(value) = reading.good(quantity) {
            reading.set(quantity, Some(value), Quality::Frozen);
        }
    }
}

#[cfg(test)]
mod tests {
    use chrono::TimeDelta;

    use super::*;

    fn at(seconds: i64) -> Timestamp {
        Timestamp::UNIX_EPOCH + TimeDelta::seconds(seconds)
    }

    fn validator() -> Validator {
        Validator::new(&Nameplate { counter_modulus: 65_536, ..Nameplate::common() })
    }

    fn counts(values: &[f64]) -> Vec<Quality> {
        let mut validator = validator();
        (0..)
            .zip(values)
            .map(|(i, v)| {
                let mut r = Reading::new(at(10 * i)).with(Quantity::Operations, *v);
                validator.judge(&mut r);
                r.quality(Quantity::Operations)
            })
            .collect()
    }

    #[test]
    fn a_counter_that_jumped_is_implausible_once_and_then_the_new_base() {
        use Quality::{Good, Implausible};
        assert_eq!(counts(&[100.0, 101.0, 40_000.0, 40_001.0]), [Good, Good, Implausible, Good]);
    }

    #[test]
    fn a_rollover_and_a_restart_from_zero_are_no_jumps() {
        assert_eq!(counts(&[65_535.0, 0.0, 1.0]), [Quality::Good; 3]);
        assert_eq!(counts(&[30_000.0, 0.0, 1.0]), [Quality::Good; 3]);
    }

    fn live(i: i64, volts: f64) -> Reading {
        Reading::new(at(10 * i)).with(Quantity::LoadVoltage, volts).with(Quantity::Current, 80.0)
    }

    #[test]
    fn measurements_that_never_move_become_frozen_and_thaw_at_once() {
        let mut validator = validator();
        for i in 0..60 {
            let mut r = live(i, 121.5);
            validator.judge(&mut r);
            assert_eq!(r.quality(Quantity::LoadVoltage), Quality::Good, "reading {i}");
        }
        let mut r = live(60, 121.5);
        validator.judge(&mut r);
        assert_eq!(r.quality(Quantity::LoadVoltage), Quality::Frozen);
        assert_eq!(r.quality(Quantity::Current), Quality::Frozen);
        assert_eq!(r.value(Quantity::LoadVoltage), Some(121.5));
        let mut r = live(61, 121.6);
        validator.judge(&mut r);
        assert_eq!(r.quality(Quantity::LoadVoltage), Quality::Good);
    }

    #[test]
    fn a_tap_that_moves_or_a_dead_line_is_not_frozen() {
        let mut moving = validator();
        let mut dead = validator();
        for i in 0..200 {
            let mut r = live(i, 121.5).with(Quantity::Tap, f64::from(u8::from(i % 50 == 0)));
            moving.judge(&mut r);
            assert_eq!(r.quality(Quantity::LoadVoltage), Quality::Good);
            let mut r = live(i, 0.0);
            dead.judge(&mut r);
            assert_eq!(r.quality(Quantity::LoadVoltage), Quality::Good);
        }
    }

    #[test]
    fn fast_polls_alone_do_not_freeze() {
        let mut validator = validator();
        for i in 0..500 {
            let mut r = Reading::new(at(i)).with(Quantity::LoadVoltage, 120.0).with(Quantity::Current, 1.0);
            validator.judge(&mut r);
            assert_eq!(r.quality(Quantity::LoadVoltage), Quality::Good);
        }
    }
}
