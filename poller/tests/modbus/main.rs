//! The Modbus side of the poller against real sockets: devices that answer late, short, twice, wrongly or never.

#![allow(clippy::unwrap_used, reason = "helpers of tests may panic as tests do")]

mod endpoints;
mod guards;
mod peer;
mod probe;
mod wire_capture;
