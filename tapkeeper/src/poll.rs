//! The poller role.

use std::{net::SocketAddr, path::PathBuf};

use anyhow::Result;

use crate::stopping;

#[derive(Debug, clap::Args)]
pub(crate) struct Args {
    /// PostgreSQL 15 or newer, with the schema in place.
    #[arg(long, env = "DATABASE_URL", hide_env_values = true)]
    database_url: String,
    /// Name of this poller, on pages and in metrics.
    #[arg(long, env = "TAPKEEPER_POLLER", default_value = "poller-1")]
    name: String,
    /// Where to answer OpenMetrics at /metrics, for example 127.0.0.1:9464.
    #[arg(long, env = "TAPKEEPER_POLLER_METRICS")]
    metrics: Option<SocketAddr>,
    /// Readings held in memory while the database is away; beyond it the oldest are given up and counted.
    #[arg(long, env = "TAPKEEPER_HOLD_LIMIT", default_value_t = poller::Config::HOLD_LIMIT)]
    hold_limit: usize,
    /// Days for which single readings are kept; rollups stay.
    #[arg(long, env = "TAPKEEPER_RETENTION_DAYS", default_value_t = poller::Config::RETENTION_DAYS)]
    retention_days: u32,
    /// For endpoints over TLS: PEM file with the authority that signed their certificates.
    #[arg(long, env = "TAPKEEPER_DNP3_AUTHORITY", requires_all = ["dnp3_certificate", "dnp3_key"])]
    dnp3_authority: Option<PathBuf>,
    /// For endpoints over TLS: PEM file with this poller's own certificate.
    #[arg(long, env = "TAPKEEPER_DNP3_CERTIFICATE", requires_all = ["dnp3_authority", "dnp3_key"])]
    dnp3_certificate: Option<PathBuf>,
    /// For endpoints over TLS: PEM file with the private key of that certificate.
    #[arg(long, env = "TAPKEEPER_DNP3_KEY", requires_all = ["dnp3_authority", "dnp3_certificate"])]
    dnp3_key: Option<PathBuf>,
}

pub(crate) async fn run(args: Args) -> Result<()> {
    let config = poller::Config {
        database_url: args.database_url,
        name: args.name,
        metrics_listen: args.metrics,
        hold_limit: args.hold_limit,
        retention_days: args.retention_days,
        tls: (args.dnp3_authority.zip(args.dnp3_certificate).zip(args.dnp3_key))
            .map(|((authority, certificate), key)| poller::TlsFiles { authority, certificate, key }),
    };
    poller::run(config, stopping::on_signal()).await
}
