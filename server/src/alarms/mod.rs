//! The life of alarms: every step that the state model of `regulator::alarms` takes, recorded, and the present state of each.
//!
//! Whoever moves an alarm does so through [`record::record`], in a transaction of their own: detection (raised, returned, suppressed by
//! a wider silence), people at the desk (`desk`: acknowledged, shelved, out of service), and the clock (`clock`: shelving that
//! ends, maintenance windows, raising again). It locks the rows of `alarm_point` that are concerned, takes the events by the table, and writes
//! occurrences, steps and present states together, so that the steps replayed always give the present states (`replay`).
//! What is owed to people comes back as [`record::Recorded`] and goes to `notification` in the same transaction.

mod act;
pub(crate) mod clock;
pub(crate) mod desk;
mod maintenance;
mod occurrences;
mod place;
mod point;
mod record;
pub mod replay;
mod silences;
mod steps;

#[cfg(test)]
mod tests;

pub(crate) use act::{Act, in_order};
pub(crate) use place::{Columns, Place};
pub(crate) use record::{Recorded, record, retire};
pub(crate) use silences::{Relations, Silences};
