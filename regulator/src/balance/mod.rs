//! The regulators of one bank against one another: voltage unbalance, tap spread, moving together.
//!
//! Computations only, of one instant or of a run of them; the conditions that watch a bank are in [`crate::conditions`].

mod lockstep;
mod spread;
mod unbalance;

pub use lockstep::{Evidence, Lockstep};
pub use spread::Spread;
pub use unbalance::{
    ANGLE_TOLERANCE_DEGREES, Basis, CannotTell, Unbalance, cigre_percent, line_to_line_of_wye, mg1_of_bank,
    mg1_percent, unbalance_of_bank,
};
