//! Under which account the server runs.

use std::fs;

use anyhow::{Context, Result, bail};

/// A user and group id to drop to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Account {
    pub(crate) uid: u32,
    pub(crate) gid: u32,
}

/// The account to drop to: none unless this process is root.
pub(crate) fn to_run_as() -> Result<Option<Account>> {
    let status = fs::read_to_string("/proc/self/status").context("reading /proc/self/status")?;
    let uid = status.lines().find_map(|l| l.strip_prefix("Uid:")).and_then(|l| l.split_whitespace().nth(1));
    if uid != Some("0") {
        return Ok(None);
    }
    let passwd = fs::read_to_string("/etc/passwd").context("reading /etc/passwd")?;
    for name in ["postgres", "nobody"] {
        if let Some(account) = find(&passwd, name) {
            return Ok(Some(account));
        }
    }
    bail!("PostgreSQL refuses to run as root, and there is no user `postgres` or `nobody` to run it as")
}

fn find(passwd: &str, name: &str) -> Option<Account> {
    passwd.lines().find_map(|line| {
        let mut fields = line.split(':');
        if fields.next()? != name {
            return None;
        }
        let uid = fields.nth(1)?.parse().ok()?;
        let gid = fields.next()?.parse().ok()?;
        Some(Account { uid, gid })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_ids_from_passwd() {
        let passwd = "root:x:0:0:root:/root:/bin/sh\npostgres:x:104:110:,,,:/var/lib/postgresql:/bin/bash\n";
        assert_eq!(find(passwd, "postgres"), Some(Account { uid: 104, gid: 110 }));
        assert_eq!(find(passwd, "nobody"), None);
    }
}
