//! The tapkeeper program: one subcommand a role.
//!
//! This is the composition root, the one place that knows every part. Each role's file builds its configuration from what
//! was typed and hands over to the part's own `run`.

mod backtest;
mod database;
mod demo;
mod healthy;
mod messages;
mod person;
mod poll;
mod serve;
mod stopping;
mod study;

use std::process::ExitCode;

use clap::{Parser, Subcommand};
use tracing_subscriber::EnvFilter;

/// Watches a utility's fleet of step-voltage regulators. It reads; it never operates a device.
#[derive(Debug, Parser)]
#[command(version, max_term_width = 100)]
struct Cli {
    #[command(subcommand)]
    role: Role,

    /// Log lines as JSON, one object a line.
    #[arg(long, global = true, env = "TAPKEEPER_LOG_JSON")]
    log_json: bool,
}

#[derive(Debug, Subcommand)]
enum Role {
    /// Everything at once: a private database, a simulated fleet, the poller and the web application.
    Demo(demo::Args),
    /// The web application, detection and notification.
    Serve(Box<serve::Args>),
    /// The poller: reads the controls of the fleet in the database.
    Poll(poll::Args),
    /// A simulated fleet on sockets of this machine.
    Simulate(simulator::Simulate),
    /// Read one device once, without a database, and show what it says.
    Probe(poller::probe::ProbeArgs),
    /// The inventory: import, export and check the fleet file.
    #[command(subcommand)]
    Fleet(poller::fleet::Command),
    /// People: add, list, sign-in links.
    #[command(subcommand)]
    Person(person::Command),
    /// The database: bring its schema up to date, grant the roles.
    #[command(subcommand)]
    Database(database::Command),
    /// What other settings would have done: replays a CSV file of readings, without a database.
    Study(Box<study::Args>),
    /// What a condition would have raised on recorded readings with other thresholds.
    Backtest(backtest::Args),
    /// Ask a running role whether it is well.
    Healthy(healthy::Args),
}

#[tokio::main]
async fn main() -> ExitCode {
    let cli = Cli::parse();
    start_log(cli.log_json);
    // Two TLS users, one provider: chosen once, here.
    let _already_chosen = rustls::crypto::ring::default_provider().install_default();
    match run(cli.role).await {
        Ok(code) => code,
        Err(error) => {
            eprintln!("tapkeeper: {error:#}");
            ExitCode::FAILURE
        }
    }
}

async fn run(role: Role) -> anyhow::Result<ExitCode> {
    match role {
        Role::Demo(args) => demo::run(args).await?,
        Role::Serve(args) => serve::run(*args).await?,
        Role::Poll(args) => poll::run(args).await?,
        Role::Simulate(args) => simulator::simulate(args, stopping::on_signal()).await?,
        Role::Probe(args) => return poller::probe::main(args).await,
        Role::Fleet(command) => return poller::fleet::main(command).await,
        Role::Study(args) => return study::run(&args),
        Role::Healthy(args) => return healthy::run(args).await,
        Role::Backtest(args) => backtest::run(args).await?,
        Role::Person(command) => person::run(command).await?,
        Role::Database(command) => database::run(command).await?,
    }
    Ok(ExitCode::SUCCESS)
}

fn start_log(json: bool) {
    let filter = EnvFilter::try_from_default_env()
        .unwrap_or_else(|_| EnvFilter::new("info,sqlx=warn,hyper=warn,reqwest=warn,tokio_modbus=off"));
    let log = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
    if json { log.json().init() } else { log.init() }
}
