//! Writes readings: batched, idempotent, kept in memory while the database is away.
//!
//! [`Writer`] is the one way in: a batch of readings and its entry in the feed, in one transaction. It leaves to its caller
//! what to do when the database is away.

mod copy;
mod merge;
mod partitions;
pub mod rollup;
mod row;
#[cfg(test)]
mod tests;
mod writer;

pub use partitions::{drop_old, make_ahead};
pub use row::{COPY_READING, encoded};
pub use writer::{BatchId, Failing, StoreError, Writer};
