//! Clusters, databases and child processes for the benches.

use std::{fs, os::unix::fs::PermissionsExt};

use anyhow::{Context, Result};
use private_postgres::{Cluster, Durability};
use sqlx::{Connection, PgConnection};
use tempfile::TempDir;

/// A cluster of this run's own; the folder goes when it is dropped.
pub(crate) fn cluster(durability: Durability) -> Result<(TempDir, Cluster)> {
    let folder = tempfile::Builder::new().prefix("tapkeeper-bench-").tempdir()?;
    fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755))?;
    let cluster = Cluster::start(&folder.path().join("db"), durability)?;
    Ok((folder, cluster))
}

/// A new, migrated database; its address.
pub(crate) async fn database(cluster: &Cluster, name: &str) -> Result<String> {
    let url = cluster.database(name)?;
    let mut connection = PgConnection::connect(&url).await?;
    migrations::MIGRATOR.run(&mut connection).await.context("migrating")?;
    Ok(url)
}

/// Processor seconds (user and system) that a process has used so far.
pub(crate) fn cpu_seconds(pid: u32) -> Result<f64> {
    let stat = fs::read_to_string(format!("/proc/{pid}/stat"))?;
    // fields 14 and 15, counted after the closing parenthesis of the name
    let after = stat.rsplit_once(')').context("the shape of /proc/PID/stat")?.1;
    let fields: Vec<f64> =
        after.split_whitespace().skip(11).take(2).map(str::parse).collect::<Result<_, _>>()?;
    // USER_HZ is 100 on every Linux that Rust runs on
    Ok(fields.iter().sum::<f64>() / 100.0)
}
