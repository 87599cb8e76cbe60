//! The trade: what step-voltage regulators are, report and suffer.
//!
//! Everything here is pure computation: no I/O, no async, no SQL and no clock. Time comes in with the readings.
//! Start with [`Reading`], the state of one regulator at one instant, and [`conditions`], the rules that watch a
//! stream of them. What two voltages, power and taps tell beyond that is in [`audit`] (is the reported tap right?), [`flow`] (which
//! way does power flow, and which side holds the voltage?) and [`evidence`] (what do the records say about neutral?);
//! [`study`] asks what other settings would have done; [`alarms`] is what becomes of what the conditions tell.

mod age;
pub mod alarms;
pub mod audit;
pub mod backtest;
pub mod balance;
pub mod causes;
#[cfg(test)]
mod checks;
pub mod compensator;
pub mod conditions;
pub mod control;
pub mod counter;
pub mod delta;
pub mod dwell;
pub mod evidence;
pub mod feeder;
pub mod flow;
pub mod harmonics;
pub mod mechanism;
mod nameplate;
pub mod operations;
mod quality;
mod quantity;
mod reading;
pub mod study;
pub mod taps;
pub mod wear;

pub use age::Age;
pub use nameplate::{Connection, Nameplate, Phase, WindingType};
pub use quality::Quality;
pub use quantity::Quantity;
pub use reading::{Reading, TimeSource};

/// An instant, in UTC.
pub type Timestamp = chrono::DateTime<chrono::Utc>;

/// Seconds from one instant to another.
fn seconds(from: Timestamp, to: Timestamp) -> f64 {
    seconds_of(to - from)
}

/// A span of time in seconds.
#[allow(clippy::cast_precision_loss, reason = "whole milliseconds of centuries fit a double exactly")]
const fn seconds_of(span: chrono::TimeDelta) -> f64 {
    span.num_milliseconds() as f64 / 1000.0
}
