//! The whole system against independent peers: real input, failures, bad input.

#![expect(clippy::unwrap_used, reason = "what fails here fails the test")]

mod bad_input;
mod events;
mod kills;
mod night;
mod outage;
mod read_only;
mod readings;
mod strange_control;
mod webhook;
