//! One cluster: made if it is not there, started, stopped.

use std::{
    fs,
    os::unix::{fs::PermissionsExt, process::CommandExt},
    path::{Path, PathBuf},
    process::Command,
    thread,
    time::{Duration, Instant},
};

use anyhow::{Context, Result, ensure};
use tempfile::TempDir;

use crate::{
    account::{self, Account},
    binaries,
};

/// The database user that owns everything in a private cluster.
const OWNER: &str = "tapkeeper";

/// Whether a crash of the machine may cost data.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Durability {
    /// Commits reach the disk.
    Full,
    /// For tests: fast, survives the end of any process but not of the machine.
    None,
}

/// A running private cluster. Dropping it stops the server.
#[derive(Debug)]
pub struct Cluster {
    bin: PathBuf,
    data: PathBuf,
    socket: TempDir,
    account: Option<Account>,
}

impl Cluster {
    /// Starts the cluster whose files are in `folder`, making it first if it is not there. A server that an earlier,
    /// killed program left behind is stopped first.
    ///
    /// # Errors
    /// When PostgreSQL is not installed, the folder cannot be used, or the server does not start; the message says which
    /// and where its log is.
    pub fn start(folder: &Path, durability: Durability) -> Result<Self> {
        let account = account::to_run_as()?;
        let bin = binaries::folder()?;
        fs::create_dir_all(folder).with_context(|| format!("making {}", folder.display()))?;
        let folder = folder.canonicalize()?;
        let socket =
            tempfile::Builder::new().prefix("tapkeeper-pg-").tempdir().context("making the socket folder")?;
        for dir in [folder.as_path(), socket.path()] {
            give_to(dir, account)?;
        }
        let cluster = Self { bin, data: folder.join("cluster"), socket, account };
        if !cluster.data.join("PG_VERSION").is_file() {
            cluster.create()?;
        }
        if cluster.data.join("postmaster.pid").is_file() {
            // A leftover server would hold the data folder; if there is none this fails, which is fine.
            drop(cluster.run("pg_ctl", &["stop", "-m", "fast", "-w", "-D", &cluster.data_str()]));
        }
        cluster.launch(durability)?;
        Ok(cluster)
    }

    /// The address of one of its databases, as `DATABASE_URL` has it.
    #[must_use]
    pub fn url(&self, database: &str) -> String {
        format!("postgres:///{database}?host={}&user={OWNER}", self.socket.path().display())
    }

    /// Makes the database if it is not there yet, and returns its address.
    ///
    /// # Errors
    /// When the server cannot be reached or refuses.
    pub fn database(&self, name: &str) -> Result<String> {
        let socket = self.socket.path().display().to_string();
        match self.run("createdb", &["-h", &socket, "-U", OWNER, name]) {
            Err(error) if !error.to_string().contains("already exists") => Err(error),
            _ => Ok(self.url(name)),
        }
    }

    /// Stops the server and waits for it. Connections are cut, nothing committed is lost.
    ///
    /// # Errors
    /// When the server does not stop.
    pub fn stop(&self) -> Result<()> {
        self.run("pg_ctl", &["stop", "-m", "fast", "-w", "-D", &self.data_str()]).map(drop)
    }

    /// Ends the server as a crash does: SIGKILL, which leaves it no time for anything.
    ///
    /// # Errors
    /// When its process cannot be found or ended.
    pub fn kill(&self) -> Result<()> {
        let file = self.data.join("postmaster.pid");
        let text = fs::read_to_string(&file).with_context(|| format!("reading {}", file.display()))?;
        let id = text.lines().next().context("the server's process id is missing")?;
        let killed = Command::new("kill").args(["-9", id]).status().context("running kill")?;
        ensure!(killed.success(), "the server's process {id} could not be ended");
        Ok(())
    }

    /// Starts the server again after [`Cluster::kill`], at the same address; waits for what the old one left running.
    ///
    /// # Errors
    /// When it does not start within a minute.
    pub fn recover(&self, durability: Durability) -> Result<()> {
        let end = Instant::now() + Duration::from_secs(60);
        loop {
            match self.launch(durability) {
                // its processes end by themselves, but not at once
                Err(_) if Instant::now() < end => thread::sleep(Duration::from_millis(50)),
                other => return other,
            }
        }
    }

    /// Starts the server again after [`Cluster::stop`], at the same address.
    ///
    /// # Errors
    /// When it does not start.
    pub fn restart(&self, durability: Durability) -> Result<()> {
        self.launch(durability)
    }

    fn create(&self) -> Result<()> {
        self.run(
            "initdb",
            &[
                "-D",
                &self.data_str(),
                "-U",
                OWNER,
                "-A",
                "trust",
                "-E",
                "UTF8",
                "--locale=C.UTF-8",
                "--no-instructions",
            ],
        )
        .map(drop)
    }

    fn launch(&self, durability: Durability) -> Result<()> {
        // Local trust is safe because the socket's folder is open to the server's account alone.
        let mut options = format!(
            "-k {} -c listen_addresses= -c unix_socket_permissions=0700 -c max_connections=200 -c shared_buffers=256MB \
             -c max_wal_size=4GB -c timezone=UTC -c log_timezone=UTC",
            self.socket.path().display()
        );
        if durability == Durability::None {
            options.push_str(" -c fsync=off -c synchronous_commit=off -c full_page_writes=off");
        }
        let log = self.data.join("server.log").display().to_string();
        self.run("pg_ctl", &["start", "-w", "-t", "60", "-D", &self.data_str(), "-l", &log, "-o", &options])
            .with_context(|| format!("the database server did not start; its log is {log}"))
            .map(drop)
    }

    fn data_str(&self) -> String {
        self.data.display().to_string()
    }

    fn run(&self, program: &str, args: &[&str]) -> Result<String> {
        let mut command = Command::new(self.bin.join(program));
        command.args(args).current_dir("/").env_remove("DATABASE_URL");
        if let Some(account) = self.account {
            command.uid(account.uid).gid(account.gid);
        }
        // Output goes to files, not pipes: pg_ctl's server would hold a pipe open for its whole life.
        let out = tempfile::tempfile()?;
        let status = command
            .stdout(out.try_clone()?)
            .stderr(out.try_clone()?)
            .status()
            .with_context(|| format!("running {program}"))?;
        let text = read_back(out)?;
        ensure!(status.success(), "{program} failed: {}", text.trim());
        Ok(text)
    }
}

impl Drop for Cluster {
    fn drop(&mut self) {
        if self.data.join("postmaster.pid").is_file()
            && let Err(error) = self.stop()
        {
            tracing::warn!("stopping the private database: {error:#}");
        }
    }
}

fn read_back(mut file: fs::File) -> Result<String> {
    use std::io::{Read, Seek};
    file.rewind()?;
    let mut text = String::new();
    file.read_to_string(&mut text)?;
    Ok(text)
}

fn give_to(dir: &Path, account: Option<Account>) -> Result<()> {
    if let Some(account) = account {
        std::os::unix::fs::chown(dir, Some(account.uid), Some(account.gid))
            .with_context(|| format!("giving {} to the database's user", dir.display()))?;
    }
    fs::set_permissions(dir, fs::Permissions::from_mode(0o700))
        .with_context(|| format!("closing {}", dir.display()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn starts_keeps_its_data_over_a_restart_and_stops() {
        let folder = tempfile::Builder::new().prefix("tapkeeper-test-").tempdir().unwrap();
        // the account that runs the server must be able to reach the folder
        fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755)).unwrap();
        let dir = folder.path().join("db");
        {
            let cluster = Cluster::start(&dir, Durability::None).unwrap();
            cluster.database("kept").unwrap();
        }
        assert!(!dir.join("cluster/postmaster.pid").exists());
        let cluster = Cluster::start(&dir, Durability::None).unwrap();
        let socket = cluster.socket.path().display().to_string();
        let again = cluster.run("createdb", &["-h", &socket, "-U", OWNER, "kept"]).unwrap_err();
        assert!(again.to_string().contains("already exists"), "{again}");
    }
}
