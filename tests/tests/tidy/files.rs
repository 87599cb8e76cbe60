//! Files stay small, and nothing is unsafe.

use std::{fs, path::PathBuf, process::Command};

use crate::{own_packages, root};

/// Lines beyond which a file holds more than one idea.
const LONGEST: usize = 600;

/// The Rust files that are under version control or about to be.
fn rust_files() -> Vec<PathBuf> {
    let listed = Command::new("git")
        .args(["ls-files", "--cached", "--others", "--exclude-standard", "*.rs"])
        .current_dir(root())
        .output()
        .expect("git runs");
    let listed = String::from_utf8(listed.stdout).unwrap();
    let files: Vec<_> = listed.lines().map(|l| root().join(l)).filter(|p| p.is_file()).collect();
    assert!(files.len() > 50, "git lists the files");
    files
}

#[test]
fn no_file_is_longer_than_one_idea() {
    for file in rust_files() {
        let lines = fs::read_to_string(&file).unwrap().lines().count();
        assert!(lines <= LONGEST, "{} has {lines} lines: split it by idea", file.display());
    }
}

#[test]
fn unsafe_code_is_forbidden_in_every_crate() {
    let workspace = fs::read_to_string(root().join("Cargo.toml")).unwrap();
    assert!(workspace.contains("unsafe_code = \"forbid\""));
    for package in own_packages() {
        let manifest = fs::read_to_string(package["manifest_path"].as_str().unwrap()).unwrap();
        assert!(
            manifest.contains("[lints]\nworkspace = true"),
            "{} takes the workspace's lints",
            package["name"]
        );
    }
}

#[test]
fn every_file_says_what_it_is_for() {
    for file in rust_files() {
        let text = fs::read_to_string(&file).unwrap();
        let beside = file.file_name().is_some_and(|n| n == "tests.rs" || n == "build.rs");
        assert!(beside || text.starts_with("//!"), "{} has no words at its head", file.display());
    }
}
