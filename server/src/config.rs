//! What the server needs to be told, read once and complete.

use std::net::SocketAddr;

use secrecy::SecretString;

use crate::{notification, watchdog};

/// Settings of one server.
#[derive(Debug, Clone)]
pub struct Config {
    /// Postgres, as a `postgres://` address.
    pub database_url: String,
    /// Where to listen; loopback unless told otherwise.
    pub listen: SocketAddr,
    /// How people reach this server from outside, for links in messages, without a slash at the end.
    pub public_url: String,
    /// Who shows this as a bearer token may read `/metrics` from anywhere; without it, only programs on the same machine may.
    pub metrics_token: Option<SecretString>,
    /// How people are told of alarms.
    pub notification: notification::Config,
    /// A sign of life to an outside address.
    pub heartbeat: Option<watchdog::Heartbeat>,
}
