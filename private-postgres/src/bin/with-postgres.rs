//! Runs a command beside a throwaway PostgreSQL cluster: `with-postgres COMMAND [ARG ...]`.
//!
//! The command finds the cluster in `TAPKEEPER_TEST_CLUSTER`, and in `DATABASE_URL` a migrated database `schema`, against
//! which queries are checked at compile time when SQLX_OFFLINE is not set.

use std::{
    os::unix::fs::PermissionsExt,
    process::{Command, ExitCode},
};

use anyhow::{Context, Result};
use private_postgres::{Cluster, Durability, testing::CLUSTER};
use sqlx::Connection;

fn main() -> Result<ExitCode> {
    let mut args = std::env::args_os().skip(1);
    let program = args.next().context("usage: with-postgres COMMAND [ARG ...]")?;
    let folder = tempfile::Builder::new().prefix("tapkeeper-tests-").tempdir()?;
    // the server's account, when it is not ours, must be able to reach the folder
    std::fs::set_permissions(folder.path(), std::fs::Permissions::from_mode(0o755))?;
    let cluster = Cluster::start(&folder.path().join("db"), Durability::None)?;
    let schema = cluster.database("schema")?;
    tokio::runtime::Runtime::new()?.block_on(migrate(&schema))?;
    let status = Command::new(&program)
        .args(args)
        .env(CLUSTER, cluster.url("postgres"))
        .env("DATABASE_URL", schema)
        .status()
        .with_context(|| format!("running {}", program.to_string_lossy()))?;
    cluster.stop()?;
    Ok(if status.success() { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

async fn migrate(url: &str) -> Result<()> {
    let mut connection = sqlx::PgConnection::connect(url).await?;
    migrations::MIGRATOR.run(&mut connection).await.context("migrating")?;
    Ok(connection.close().await?)
}
