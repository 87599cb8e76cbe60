//! Where PostgreSQL's server programs are.

use std::{
    path::{Path, PathBuf},
    process::Command,
};

use anyhow::{Result, anyhow};

/// Oldest major version that the schema works with.
const OLDEST: u32 = 15;

/// The folder that holds `initdb` and `pg_ctl` of the newest PostgreSQL here.
pub(crate) fn folder() -> Result<PathBuf> {
    candidates()
        .into_iter()
        // through links, to the folder where the rest of the programs are
        .filter_map(|dir| Some(dir.join("initdb").canonicalize().ok()?.parent()?.to_owned()))
        .filter(|dir| dir.join("pg_ctl").is_file())
        .filter_map(|dir| Some((major_version(&dir)?, dir)))
        .filter(|(version, _)| *version >= OLDEST)
        .max()
        .map(|(_, dir)| dir)
        .ok_or_else(|| {
            anyhow!("no PostgreSQL {OLDEST} or newer here (looked for initdb and pg_ctl): on Debian, `apt-get install postgresql`")
        })
}

fn candidates() -> Vec<PathBuf> {
    let mut found = Vec::new();
    if let Ok(output) = Command::new("pg_config").arg("--bindir").output() {
        found.push(PathBuf::from(String::from_utf8_lossy(&output.stdout).trim()));
    }
    if let Ok(versions) = std::fs::read_dir("/usr/lib/postgresql") {
        found.extend(versions.flatten().map(|v| v.path().join("bin")));
    }
    if let Some(path) = std::env::var_os("PATH") {
        found.extend(std::env::split_paths(&path));
    }
    found
}

fn major_version(dir: &Path) -> Option<u32> {
    let output = Command::new(dir.join("pg_ctl")).arg("--version").output().ok()?;
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    text.split_whitespace().find_map(|word| word.split('.').next()?.parse().ok())
}
