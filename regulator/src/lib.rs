//! The trade: what step-voltage regulators are, report and suffer.
//!
//! Everything here is pure computation: no I/O, no async, no SQL and no clock. Time comes in with the readings.
//! Start with [`Reading`], the state of one regulator at one instant, and [`conditions`], the rules that watch a
//! stream of them; [`study`] asks what other settings would have done.

mod age;
pub mod compensator;
pub mod conditions;
pub mod control;
pub mod counter;
mod nameplate;
mod quality;
mod quantity;
mod reading;
pub mod study;
pub mod taps;

pub use age::Age;
pub use nameplate::{Connection, Nameplate, Phase, WindingType};
pub use quality::Quality;
pub use quantity::Quantity;
pub use reading::{Reading, TimeSource};

/// An instant, in UTC.
pub type Timestamp = chrono::DateTime<chrono::Utc>;
