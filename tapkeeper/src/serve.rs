//! The server role.

use std::{net::SocketAddr, time::Duration};

use anyhow::{Context, Result};
use server::watchdog::Heartbeat;

use crate::{messages, stopping};

#[derive(Debug, clap::Args)]
pub(crate) struct Args {
    /// PostgreSQL 15 or newer, with the schema in place.
    #[arg(long, env = "DATABASE_URL", hide_env_values = true)]
    database_url: String,
    /// Where to listen.
    #[arg(long, env = "TAPKEEPER_LISTEN", default_value = "127.0.0.1:8080")]
    listen: SocketAddr,
    /// How people reach this server, for links in messages and the cookie's scope.
    #[arg(long, env = "TAPKEEPER_PUBLIC_URL", default_value = "http://127.0.0.1:8080")]
    public_url: String,
    /// Whoever shows this as a bearer token may read /metrics from anywhere; without it, programs on the same machine may.
    #[arg(long, env = "TAPKEEPER_METRICS_TOKEN", hide_env_values = true)]
    metrics_token: Option<String>,
    /// Address outside that is asked every minute (GET) while polling, detection and delivery are well. Whoever listens there
    /// notices when this whole machine is gone.
    #[arg(long, env = "TAPKEEPER_HEARTBEAT_URL", hide_env_values = true)]
    heartbeat_url: Option<String>,
    #[command(flatten)]
    messages: messages::Args,
}

pub(crate) async fn run(args: Args) -> Result<()> {
    let heartbeat = args
        .heartbeat_url
        .filter(|url| !url.is_empty())
        .map(|url| Heartbeat::new(&url, Duration::from_secs(60)))
        .transpose()
        .context("the heartbeat")?;
    let config = server::Config {
        heartbeat,
        database_url: args.database_url,
        listen: args.listen,
        public_url: args.public_url.trim_end_matches('/').to_owned(),
        metrics_token: args.metrics_token.filter(|token| !token.is_empty()).map(Into::into),
        notification: args.messages.config()?,
    };
    server::run(config, stopping::on_signal()).await
}
