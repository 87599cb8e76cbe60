//! What the poller needs to be told, read once and complete.

use std::net::SocketAddr;
use std::path::PathBuf;

use crate::outstation::Tls;

/// Settings of one poller.
#[derive(Debug, Clone)]
pub struct Config {
    /// Postgres, as a `postgres://` address.
    pub database_url: String,
    /// Name of this poller, on pages and in the feed.
    pub name: String,
    /// Where to answer OpenMetrics at `/metrics`; nowhere if none.
    pub metrics_listen: Option<SocketAddr>,
    /// Readings held in memory while the database is away (about 200 bytes each); beyond it the oldest are given up and counted.
    pub hold_limit: usize,
    /// Days for which readings and their minutes are kept; hours and days of them stay.
    pub retention_days: u32,
    /// For endpoints that are reached over TLS; without, they are reported as misconfigured.
    pub tls: Option<TlsFiles>,
}

/// PEM files for DNP3 over TLS.
#[derive(Debug, Clone)]
pub struct TlsFiles {
    /// Certificates of the authority that signed the endpoints'.
    pub authority: PathBuf,
    /// The poller's own certificate, with those between it and its authority.
    pub certificate: PathBuf,
    /// The private key of that certificate.
    pub key: PathBuf,
}

impl TlsFiles {
    pub(super) fn load(&self) -> anyhow::Result<Tls> {
        Tls::from_files(&self.authority, &self.certificate, &self.key)
    }
}

impl Config {
    /// Readings held in memory unless told otherwise: about 400 MB, or three hours of 2,000 regulators polled every 10 s.
    pub const HOLD_LIMIT: usize = 2_000_000;
    /// Days for which readings are kept unless told otherwise.
    pub const RETENTION_DAYS: u32 = 400;

    /// Settings for a database and a name; the rest as usual, and no metrics.
    #[must_use]
    pub fn new(database_url: &str, name: &str) -> Self {
        Self {
            database_url: database_url.to_owned(),
            name: name.to_owned(),
            metrics_listen: None,
            hold_limit: Self::HOLD_LIMIT,
            retention_days: Self::RETENTION_DAYS,
            tls: None,
        }
    }
}
