//! An outstation, to test a master with: the simulator's controls speak through it.
//!
//! A [`Database`] holds points, attributes and the buffer of events. A [`Session`] answers for one link address and outlives connections, so that
//! events wait for whoever confirms them. A [`Station`] is one connection with the sessions behind it: bytes and the time
//! go in, bytes come out, and it says when to look again. How a device goes wrong is told to it at run time ([`Misbehaviour`]).
//!
//! Clause numbers here are from memory, as far as they are not beside the same thing in another module; what is answered was checked against the
//! vectors that the tests name.
//!
//! What it cannot do: controls, files, freezing, assignment of classes. Such requests are refused and change nothing.

mod answer;
mod commands;
mod config;
mod database;
mod events;
mod misbehaviour;
mod outbox;
mod plan;
mod point;
mod session;
mod station;
#[cfg(test)]
mod tests;
mod unsolicited;
mod writer;

pub use config::{SessionConfig, UnsolicitedConfig};
pub use database::Database;
pub use misbehaviour::Misbehaviour;
pub use point::{PointConfig, PointError};
pub use session::{Restart, Session};
pub use station::Station;
