//! Which side of the regulator is held by the strong source, told by what a tap moves.
//!
//! One step changes VL/VS by 5/8 %. Where the source side is held, the load side takes the whole step; where the load side is
//! held, the source side takes it, the other way round. The share of a step that appears on each side is its response: near 1
//! and 0 when fed from the source side, near 0 and 1 when fed from the load side; the two add up to 1 whatever happens.
//! Generation too weak to hold the load side reverses power and leaves the responses as they are. Volts that change meanwhile
//! for other reasons are noise, so one operation says little and ten say much; power that changes across an operation makes
//! it count less.

use serde::{Deserialize, Serialize};

use super::Operation;
use crate::{Nameplate, taps::TapChanger};

/// Operations after which an old one counts 1/e.
const MEMORY: f64 = 20.0;
/// Standard errors between the response and one half before a side is named.
const SURE: f64 = 3.0;
/// Shares beyond which a response is one side's: between them it is shared.
const HELD: (f64, f64) = (0.3, 0.6);

/// Which side holds the voltage.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Supply {
    /// The load side follows the taps: the strong source is on the source side.
    SourceSide,
    /// The source side follows the taps: the strong source is on the load side.
    LoadSide,
    /// Both follow in part: sources of like strength on both sides, or a long line before the unit.
    Shared,
    /// Too few operations, or too much noise.
    CannotTell,
}

/// Response of the load side: its share of a step, and the standard error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Response {
    /// Share of a step that appears on the load side; the rest appears on the source side.
    pub share: f64,
    /// Its standard error.
    pub error: f64,
    /// Operations that it rests on, old ones in part.
    pub operations: f64,
    /// Whether source voltages took part.
    pub with_source: bool,
}

/// Share of the voltage that an operation's steps change the ratio by: what one side should show if the other is held.
fn relative(nameplate: &Nameplate, operation: &Operation) -> f64 {
    let changer = TapChanger::of(nameplate);
    let (after, before) = (f64::from(operation.tap), f64::from(operation.tap - operation.steps));
    1.0 - changer.ratio(before) / changer.ratio(after)
}

/// Volts by which the load voltage should change with an operation if the source side is held; positive for a raise.
#[must_use]
pub fn expected_v(nameplate: &Nameplate, operation: &Operation) -> f64 {
    operation.load_v * relative(nameplate, operation)
}

/// The share of an operation's steps that appeared on the load side, and on the source side where that is metered.
#[must_use]
pub fn shares(nameplate: &Nameplate, operation: &Operation) -> (f64, Option<f64>) {
    let relative = relative(nameplate, operation);
    let load = operation.load_change_v / (operation.load_v * relative);
    let source =
        operation.source_change_v.zip(operation.source_v).map(|(change, v)| -change / (v * relative));
    (load, source)
}

/// The responses of the operations so far.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Responses {
    weight: f64,
    sum: f64,
    count: f64,
    with_source: bool,
}

impl Responses {
    /// Takes one operation.
    pub fn observe(&mut self, nameplate: &Nameplate, operation: &Operation) {
        let (load, source) = shares(nameplate, operation);
        // the two shares add up to 1, so each is a measurement of the other
        let share = source.map_or(load, |source| 0.5 * (load + 1.0 - source));
        let steps_v = f64::from(operation.steps.abs()) * nameplate.step_volts();
        let noise_v = operation.noise_v.max(0.1) * std::f64::consts::SQRT_2;
        // a change of power that could move the voltage by as much as it is of the rating in volts (drops are of the order of a tenth)
        let power_v = operation
            .power_change_kw
            .map_or(0.0, |kw| 0.1 * nameplate.voltage_base_v * kw.abs() / nameplate.through_kva());
        let error = noise_v.hypot(power_v) / steps_v;
        let weight = 1.0 / (error * error);
        let keep = (-1.0 / MEMORY).exp();
        self.weight = self.weight * keep + weight;
        self.sum = self.sum * keep + weight * share;
        self.count = self.count * keep + 1.0;
        self.with_source = operation.source_change_v.is_some();
    }

    /// The response of the load side; nothing before the first operation.
    #[must_use]
    pub fn response(&self) -> Option<Response> {
        (self.weight > 0.0).then(|| Response {
            share: self.sum / self.weight,
            error: self.weight.sqrt().recip(),
            operations: self.count,
            with_source: self.with_source,
        })
    }

    /// Which side holds the voltage.
    #[must_use]
    pub fn supply(&self) -> Supply {
        let Some(r) = self.response().filter(|r| r.operations > 1.9) else { return Supply::CannotTell };
        let (low, high) = (r.share - SURE * r.error, r.share + SURE * r.error);
        match r.share {
            share if share >= HELD.1 && low > 0.5 => Supply::SourceSide,
            share if share <= HELD.0 && high < 0.5 => Supply::LoadSide,
            share if share > HELD.0 && share < HELD.1 && high - low < 0.4 => Supply::Shared,
            _ => Supply::CannotTell,
        }
    }
}
