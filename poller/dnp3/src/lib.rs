//! DNP3 (IEEE 1815-2012) for monitoring.
//!
//! The layers are modules that can be read alone, from the wire up: [`link`] (frames), [`transport`] (segments into
//! fragments), [`application`] (fragments into headers and objects) and [`objects`] (what the bytes of an object mean).
//! On top of them are two sessions: [`master`], which can read and keep house and has no way to express a control, and
//! [`outstation`], which exists to test a master with.
//!
//! Everything is sans-I/O: bytes and the time go in, events and bytes come out. [`net`] holds the thin tokio tasks.
//! References to clauses are to IEEE 1815-2012.

pub mod application;
mod crc;
pub mod link;
pub mod master;
#[cfg(feature = "net")]
pub mod net;
mod now;
pub mod objects;
pub mod outstation;
pub mod transport;

pub use crc::crc;
pub use now::Now;
