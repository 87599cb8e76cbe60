//! Rules that people forget, kept by program: which crate may know which, licences, file sizes, no `unsafe`.

#![expect(clippy::unwrap_used, reason = "what fails here fails the test")]

mod files;
mod licences;
mod parts;

use std::{path::PathBuf, process::Command, sync::LazyLock};

use serde_json::Value;

/// The folder of the workspace.
fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).parent().expect("the workspace").to_owned()
}

/// What cargo knows of the workspace and everything it depends on, for the machine the tests run on.
static METADATA: LazyLock<Value> = LazyLock::new(|| metadata("."));

/// The same of the workspace in a folder.
fn metadata(folder: &str) -> Value {
    let host = Command::new("rustc").args(["--print", "host-tuple"]).output().expect("rustc runs");
    let host = String::from_utf8(host.stdout).expect("a name");
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version=1", "--locked", "--filter-platform", host.trim()])
        .current_dir(root().join(folder))
        .output()
        .expect("cargo runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).expect("JSON")
}

/// All packages: the workspace's own and others'.
fn packages() -> impl Iterator<Item = &'static Value> {
    METADATA["packages"].as_array().expect("packages").iter()
}

/// The packages of the workspace.
fn own_packages() -> impl Iterator<Item = &'static Value> {
    let members = METADATA["workspace_members"].as_array().expect("members");
    packages().filter(|p| members.contains(&p["id"]))
}

fn name(package: &'static Value) -> &'static str {
    package["name"].as_str().expect("a name")
}
