//! DNP3 endpoints: what the master learns of each control becomes readings.
//!
//! [`run`] is the task of one endpoint. The protocol is in the crate [`dnp3`]; here are the connection ([`connect`], with its certificates in [`tls`] and
//! what can be wrong with them in [`refusal`]), the controls behind it ([`control`]), what is known of each of their regulators ([`image`]), whose clock to believe ([`instant`]), and the
//! master's host that brings these together ([`host`]).
//!
//! A control reports by exception, so a reading is put together: what a report changed, and beside it what is known from before, with
//! its age. One is written for every instant at which something changed, and one at the end of every poll, which says that the rest has
//! not. Events are confirmed to the control only when the readings made of them are stored.

mod connect;
mod control;
mod host;
mod identity;
mod image;
mod instant;
mod refusal;
mod task;
#[cfg(test)]
mod tests;
mod tls;
#[cfg(test)]
mod tls_tests;

pub(crate) use connect::connect;
pub(crate) use identity::identity;
pub(crate) use task::{Place, run};
pub use tls::Tls;
