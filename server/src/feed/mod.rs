//! Following the feed: batches of readings in the order they were committed, each exactly once.
//!
//! A follower remembers the id of the last batch it has dealt with and asks for what came [`after`](batch::after) it, then for
//! the [`readings`](readings::of) those batches name. [`Wakeups`] tells it when to ask. How it remembers is its own affair:
//! detection keeps its cursor in the database, the picture in memory.

mod batch;
mod readings;
mod wakeup;

pub use batch::{Batch, Failing, after, last_id};
pub use readings::{BatchReading, at, between, newest, of, up_to};
pub use wakeup::{CHANNEL, Wakeups};

#[cfg(test)]
pub(crate) mod testing;
