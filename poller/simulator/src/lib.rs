//! A simulated fleet: feeders and regulators as physics, served over real Modbus and DNP3 sockets.
//!
//! [`Fleet`] is a fictional utility that can be run at any speed; [`history`] polls it as it goes, [`Devices`] puts it on the wire. Nothing here knows the
//! poller or the database.

mod chance;
mod command;
mod demand;
mod fleet;
mod history;
mod inventory;
mod layout;
mod plan;
mod serve;
mod sky;
pub mod stories;
mod synthetic;
#[cfg(test)]
mod truth;
#[cfg(test)]
mod widening;

pub use command::{Simulate, simulate};
pub use fleet::{Fleet, RestoreError, Snapshot};
pub use history::{History, Polled, history};
pub use inventory::{Addresses, Member};
pub use serve::{BindError, Devices};
