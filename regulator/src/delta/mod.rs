//! Banks: what regulators connected wye, open delta or closed delta do to the three voltages together.
//!
//! In a wye bank each regulator has its own line-to-neutral voltage and touches no other. Between lines it is otherwise:
//! - open delta, two regulators with one phase in common: each sets its own line-to-line voltage by its ratio (±10 %), and the
//!   third follows, because the three add up to nothing. The third cannot be corrected by itself.
//! - closed delta, three regulators: each shifts one terminal along its own line-to-line voltage, so that it changes its own
//!   pair by its full step and the pair before it by about half. All together reach about ±15 %, and turn the voltages by a few
//!   degrees.
//!
//! [`Bank`] computes it with phasors, [`Shift`] is the 30 degrees between a line current and a line-to-line voltage.
//! After W. H. Kersting, Distribution System Modeling and Analysis, ch. 7 (regulators in wye, closed and open delta; from
//! memory), recomputed from the windings here.

mod bank;
mod phasor;
mod shift;

pub use bank::{Bank, BankError, Effect};
pub use phasor::Phasor;
pub use shift::{Rotation, Shift};
