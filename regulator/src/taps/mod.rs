//! Taps and ratings: what one unit's nameplate says about its ratio, its range, its impedance and its bases.
//!
//! - [`TapChanger`]: tap position and voltage ratio, for both constructions;
//! - [`TapRange`]: the positions permitted, and what they are worth;
//! - [`rating`]: rated current, and the higher ones of a unit whose range is limited;
//! - [`SeriesImpedance`]: what the unit's own drop does to the ratio that two voltages imply;
//! - [`Bases`]: secondary to primary and back.

mod bases;
mod impedance;
mod range;
pub mod rating;
mod ratio;

pub use bases::{Bases, CT_SECONDARY_A};
pub use impedance::{ImpedanceBase, SeriesImpedance};
pub use range::{RangeError, TapRange};
pub use ratio::TapChanger;
