//! The thin tokio tasks around the sessions.

mod master;

pub use master::{Ended, drive};
