//! Writes readings: batched, idempotent, kept in memory while the database is away.
//!
//! [`Writer`] is the one way in: a batch of readings and its entry in the feed, in one transaction. [`run`] feeds it from the
//! endpoints' reports and bridges the time while the database is away. Beside it: [`rollup`] for minutes, hours and days,
//! [`upkeep`] for partitions and retention, [`health`] for the health tables.

mod copy;
pub(crate) mod deliver;
mod entry;
pub mod health;
mod hold;
mod intake;
mod merge;
#[cfg(test)]
mod outage_tests;
mod partitions;
pub mod rollup;
mod row;
#[cfg(test)]
mod tests;
pub mod upkeep;
mod writer;

pub use deliver::Target;
pub use intake::run;
pub use partitions::{drop_old, make_ahead};
pub use row::{COPY_READING, encoded};
pub use writer::{BatchId, Failing, StoreError, Writer};
