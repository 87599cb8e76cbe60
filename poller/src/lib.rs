//! Reads the controls and writes their readings to Postgres.
//!
//! A device's answer goes through [`modbus`] (guarded transport), [`profile`] (decode and validate) and [`store`] (batch and
//! write); [`endpoint`] decides when. [`fleet`] is the inventory that says what there is to poll. [`run`] is all of it at work.

pub mod endpoint;
pub mod fleet;
mod host_port;
pub mod metrics;
pub mod modbus;
mod outstation;
pub mod probe;
pub mod profile;
mod role;
pub mod store;

pub use outstation::Tls;
pub use role::{Config, TlsFiles, run};
