//! Clusters, databases and child processes for the benches.

use std::{fs, os::unix::fs::PermissionsExt, process::Stdio};

use anyhow::{Context, Result, ensure};
use private_postgres::{Cluster, Durability};
use sqlx::{Connection, PgConnection};
use tempfile::TempDir;
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::TcpStream,
    process::{Child, Command},
};

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

/// Memory of a process that is in use now, KiB.
pub(crate) fn resident_kib(pid: u32) -> Result<f64> {
    let status = fs::read_to_string(format!("/proc/{pid}/status"))?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"));
    Ok(line.context("the resident memory of a process")?.trim().trim_end_matches(" kB").parse()?)
}

/// The program itself, `tapkeeper ARGS...`, built as these benches are.
pub(crate) fn tapkeeper(args: &[&str], database_url: &str) -> Result<Child> {
    let mine = std::env::current_exe()?;
    let program = mine.ancestors().nth(2).context("the folder of the build")?.join("tapkeeper");
    Command::new(&program)
        .args(args)
        .env("DATABASE_URL", database_url)
        .env("RUST_LOG", "warn")
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .kill_on_drop(true)
        .spawn()
        .with_context(|| format!("starting {}; scripts/bench builds it", program.display()))
}

/// These benches again, as a process of its own that does one part; what it prints can be read.
pub(crate) fn part(args: &[&str]) -> Result<Child> {
    Command::new(std::env::current_exe()?)
        .args(args)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .kill_on_drop(true)
        .spawn()
        .context("starting a part of the benches")
}

/// The next line that a part prints.
pub(crate) async fn line(child: &mut Child) -> Result<String> {
    let stdout = child.stdout.as_mut().context("a part's output")?;
    let mut line = Vec::new();
    loop {
        match stdout.read_u8().await.context("a part ended early; see what it said above")? {
            b'\n' => return Ok(String::from_utf8(line)?),
            byte => line.push(byte),
        }
    }
}

/// The body of a page.
pub(crate) async fn fetch(port: u16, path: &str, cookie: &str) -> Result<String> {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).await?;
    let request = format!("GET {path} HTTP/1.0\r\nHost: 127.0.0.1:{port}\r\nCookie: {cookie}\r\n\r\n");
    stream.write_all(request.as_bytes()).await?;
    let mut answer = String::new();
    stream.read_to_string(&mut answer).await?;
    let (head, body) = answer.split_once("\r\n\r\n").context("an answer without a body")?;
    ensure!(head.split(' ').nth(1) == Some("200"), "{path} answered {head}");
    Ok(body.to_owned())
}
