//! Reverse power understood: which way power flows, which side holds the voltage, and whether a control runs away.
//!
//! Three questions that one number does not answer. [`direction`] reads the sign of power and says when it is lost in noise.
//! [`supply`] asks the voltages which side is the strong one: a tap moves the side that is not held by a source. [`reverse`]
//! puts both together with what the control does when power is reversed. [`Brackets`] cuts a stream of readings into
//! operations with the voltages just before and just after, which the others, the tap audit and the condition `runaway` stand
//! on.
//!
//! Source of the mechanism: W. H. Kersting's ratio VL/VS at a tap, and the closed circuit in `flow/circuit.rs`.

mod brackets;
#[cfg(test)]
pub(crate) mod circuit;
pub mod direction;
pub mod reverse;
pub mod supply;

pub use brackets::{Brackets, Operation};
