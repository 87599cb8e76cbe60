//! Modbus towards devices: read only, and guarded against what devices and the client library get wrong.
//!
//! [`ReadRequest`] is all that can be asked, and [`ModbusError`] all that can go wrong.

mod error;
mod request;

pub use error::{ErrorKind, Exception, ModbusError};
pub use request::{MAX_BITS, MAX_REGISTERS, ReadRequest, Table};
