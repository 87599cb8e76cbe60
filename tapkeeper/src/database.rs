//! The database: schema and roles.

use std::path::{Path, PathBuf};

use anyhow::{Context, Result};
use clap::Subcommand;
use sqlx::{AssertSqlSafe, Connection, PgConnection};

const GRANTS: &str = include_str!("../../migrations/grants.sql");

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Bring the schema up to date. Harmless when it is.
    Migrate(Target),
    /// Create the roles tapkeeper_poller and tapkeeper_server, if missing, and grant each what it needs and no more.
    Grant(Target),
    /// Both, and give the two roles the passwords in these files.
    Prepare(Prepare),
}

#[derive(Debug, clap::Args)]
pub(crate) struct Target {
    /// PostgreSQL 15 or newer, as the owner of the schema.
    #[arg(long, env = "DATABASE_URL", hide_env_values = true)]
    database_url: String,
}

#[derive(Debug, clap::Args)]
pub(crate) struct Prepare {
    #[command(flatten)]
    target: Target,
    /// File with the password of role tapkeeper_poller.
    #[arg(long, env = "POLLER_PASSWORD_FILE")]
    poller_password_file: PathBuf,
    /// File with the password of role tapkeeper_server.
    #[arg(long, env = "SERVER_PASSWORD_FILE")]
    server_password_file: PathBuf,
}

pub(crate) async fn run(command: Command) -> Result<()> {
    match command {
        Command::Migrate(target) => migrate(&target.database_url).await,
        Command::Grant(target) => grant(&target.database_url).await,
        Command::Prepare(prepare) => {
            let url = &prepare.target.database_url;
            migrate(url).await?;
            grant(url).await?;
            let mut connection = connect(url).await?;
            set_password(&mut connection, "tapkeeper_poller", &prepare.poller_password_file).await?;
            set_password(&mut connection, "tapkeeper_server", &prepare.server_password_file).await
        }
    }
}

/// Brings the schema up to date.
pub(crate) async fn migrate(url: &str) -> Result<()> {
    let mut connection = connect(url).await?;
    migrations::MIGRATOR.run(&mut connection).await.context("bringing the schema up to date")?;
    tracing::info!("the schema is up to date");
    Ok(())
}

async fn grant(url: &str) -> Result<()> {
    let mut connection = connect(url).await?;
    sqlx::raw_sql(GRANTS).execute(&mut connection).await.context("granting the roles")?;
    tracing::info!("roles tapkeeper_poller and tapkeeper_server are in place");
    Ok(())
}

async fn set_password(connection: &mut PgConnection, role: &str, file: &Path) -> Result<()> {
    let password = std::fs::read_to_string(file).with_context(|| format!("reading {}", file.display()))?;
    let password = password.trim();
    anyhow::ensure!(!password.is_empty(), "{} is empty", file.display());
    // ALTER ROLE takes no parameters, so the server itself quotes the statement.
    let statement: String =
        sqlx::query_scalar("select format('alter role %I login password %L', $1::text, $2::text)")
            .bind(role)
            .bind(password)
            .fetch_one(&mut *connection)
            .await?;
    sqlx::raw_sql(AssertSqlSafe(statement))
        .execute(connection)
        .await
        .with_context(|| format!("the password of {role}"))?;
    Ok(())
}

/// One connection, refused when the server is older than the schema can work with.
pub(crate) async fn connect(url: &str) -> Result<PgConnection> {
    let mut connection = PgConnection::connect(url).await.context("connecting to the database")?;
    let version: String = sqlx::query_scalar("show server_version_num")
        .fetch_one(&mut connection)
        .await
        .context("asking its version")?;
    let version: u32 = version.parse().context("reading its version")?;
    anyhow::ensure!(version >= 150_000, "this is PostgreSQL {}; 15 or newer is needed", version / 10_000);
    Ok(connection)
}
