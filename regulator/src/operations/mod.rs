//! Operations: tap changes found in a regulator's readings.
//!
//! [`Tracker`] takes readings in order of time and gives an [`Operation`] whenever counter or tap have moved since the reading
//! before, with what voltages, current, power and settings were before and after. It says nothing of why; that is [`crate::causes`].
//! [`Moves`] is the part that only finds them, for whoever keeps little.
//!
//! One operation record may hold several operations between two polls: the counter says how many, and the change of
//! position how far. The two can disagree for good reason (a raise and a lower cancel) and for bad (a wrong report); when the tap has
//! moved further than the counter counted, the record says so by [`Operation::counted`].

mod moves;

#[cfg(test)]
mod tests;

pub use moves::{Move, Moves};

use serde::{Deserialize, Serialize};

use crate::{Quantity, Reading, Timestamp};

/// What a reading says of the circuit and the settings; what was not good is missing.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct State {
    /// Load voltage, V on the secondary base.
    pub load_voltage_v: Option<f64>,
    /// Source voltage, V on the secondary base.
    pub source_voltage_v: Option<f64>,
    /// Current, primary amperes.
    pub current_a: Option<f64>,
    /// Real power, kW, positive from source to load.
    pub real_power_kw: Option<f64>,
    /// Reactive power, kvar, positive for a lagging load.
    pub reactive_power_kvar: Option<f64>,
    /// Centre of the band, V.
    pub set_voltage_v: Option<f64>,
    /// Whole width of the band, V.
    pub bandwidth_v: Option<f64>,
    /// Delay before the first tap, s.
    pub delay_s: Option<f64>,
    /// Compensator, resistive setting, V.
    pub compensator_r_v: Option<f64>,
    /// Compensator, reactive setting, V.
    pub compensator_x_v: Option<f64>,
    /// Whether the control was in automatic.
    pub automatic: Option<bool>,
}

impl State {
    /// Takes what is good in a reading.
    #[must_use]
    pub fn of(reading: &Reading) -> Self {
        Self {
            load_voltage_v: reading.good(Quantity::LoadVoltage),
            source_voltage_v: reading.good(Quantity::SourceVoltage),
            current_a: reading.good(Quantity::Current),
            real_power_kw: reading.good(Quantity::RealPower),
            reactive_power_kvar: reading.good(Quantity::ReactivePower),
            set_voltage_v: reading.good(Quantity::SetVoltage),
            bandwidth_v: reading.good(Quantity::Bandwidth),
            delay_s: reading.good(Quantity::TimeDelay),
            compensator_r_v: reading.good(Quantity::LdcResistance),
            compensator_x_v: reading.good(Quantity::LdcReactance),
            automatic: reading.flag(Quantity::Automatic),
        }
    }
}

/// One or several tap changes between two successive readings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Operation {
    /// The reading that first shows it.
    pub at: Timestamp,
    /// The reading before; the operation lies after it and not after `at`.
    pub since: Timestamp,
    /// Position before; none where the tap is not reported.
    pub from: Option<i32>,
    /// Position after; none where the tap is not reported.
    pub to: Option<i32>,
    /// How many operations: by the counter, else at least as many as the position moved.
    pub count: u64,
    /// Whether the counter told the count; if not, the tap moved without it or further than it.
    pub counted: bool,
    /// As the reading before had it.
    pub before: State,
    /// As the reading that shows it has it.
    pub after: State,
}

impl Operation {
    /// Change of position, raise positive; none where the tap is not reported.
    #[must_use]
    pub fn steps(&self) -> Option<i32> {
        Some(self.to? - self.from?)
    }

    /// Which way it went: 1 raise, -1 lower, 0 there and back. By the tap, else by a load voltage that jumped by over half a step
    /// of `step_v`; none where neither tells.
    #[must_use]
    pub fn direction(&self, step_v: f64) -> Option<i32> {
        let by_voltage = || {
            let jump = self.after.load_voltage_v? - self.before.load_voltage_v?;
            (jump.abs() > 0.5 * step_v).then_some(if jump > 0.0 { 1 } else { -1 })
        };
        self.steps().map(i32::signum).or_else(by_voltage)
    }
}

/// Finds the operations in one regulator's readings. Small and serialisable, so that it can be kept between passes.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Tracker {
    moves: Moves,
    last: Option<(Timestamp, State)>,
}

impl Tracker {
    /// Knows nothing yet: the first reading never is an operation.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// When the last reading taken was measured.
    #[must_use]
    pub fn last_seen(&self) -> Option<Timestamp> {
        self.last.map(|(at, _)| at)
    }

    /// The last good tap.
    #[must_use]
    pub const fn tap(&self) -> Option<i32> {
        self.moves.tap()
    }

    /// Takes the next reading; one that is not later than the last is ignored. `modulus` is where the counter starts again at zero.
    ///
    /// ```
    /// use regulator::{Quantity, Reading, Timestamp, operations::Tracker};
    ///
    /// let at = |s: i64| Timestamp::from_timestamp(1_767_225_600 + s, 0).unwrap();
    /// let reading = |s, tap: f64, counter: f64| Reading::new(at(s)).with(Quantity::Tap, tap).with(Quantity::Operations, counter);
    /// let mut tracker = Tracker::new();
    /// assert_eq!(tracker.observe(1 << 32, &reading(0, 3.0, 500.0)), None);
    /// let operation = tracker.observe(1 << 32, &reading(10, 4.0, 503.0)).unwrap();
    /// assert_eq!((operation.steps(), operation.count), (Some(1), 3));
    /// ```
    pub fn observe(&mut self, modulus: u64, reading: &Reading) -> Option<Operation> {
        let at = reading.measured_at;
        if self.last.is_some_and(|(last, _)| at <= last) {
            return None;
        }
        let moved = self.moves.observe(modulus, reading);
        let after = State::of(reading);
        let (since, before) = self.last.replace((at, after))?;
        let Move { from, to, count, counted } = moved?;
        Some(Operation { at, since, from, to, count, counted, before, after })
    }
}
