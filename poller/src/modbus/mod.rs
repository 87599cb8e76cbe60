//! Modbus towards devices: read only, and guarded against what devices and the client library get wrong.
//!
//! [`ReadRequest`] is all that can be asked, [`Client`] asks it, and [`ModbusError`] is all that can go wrong.

mod address;
mod client;
mod due;
mod error;
mod request;
mod wire;

pub use address::{Address, AddressError, Framing};
pub use client::{Client, Data, Timeouts};
pub use error::{ErrorKind, Exception, ModbusError};
pub use request::{MAX_BITS, MAX_REGISTERS, ReadRequest, Table};
