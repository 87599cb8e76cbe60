//! A private PostgreSQL cluster: its own data folder, reached over a unix socket only, started and stopped with the program
//! that uses it. Also when that program runs as root, which PostgreSQL itself refuses: the server then runs as another user.
//!
//! [`Cluster`] is what `tapkeeper demo` and the test run use; [`testing`] hands out a fresh database a test.

mod account;
mod binaries;
mod cluster;
pub mod testing;

pub use cluster::{Cluster, Durability};
