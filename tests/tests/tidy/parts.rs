//! Imports run one way.

use std::collections::{BTreeMap, BTreeSet};

use crate::{METADATA, name, own_packages, packages};

/// Which of our own crates each may use in what it ships; tests may use more.
const MAY_KNOW: &[(&str, &[&str])] = &[
    ("regulator", &[]),
    ("oncall", &[]),
    ("migrations", &[]),
    ("private-postgres", &["migrations"]),
    ("dnp3", &[]),
    ("poller", &["dnp3", "regulator"]),
    ("simulator", &["dnp3", "regulator"]),
    ("web", &["oncall", "regulator"]),
    ("server", &["oncall", "regulator", "web"]),
    // the composition root, and the tests of the whole
    (
        "tapkeeper",
        &["migrations", "oncall", "poller", "private-postgres", "regulator", "server", "simulator", "web"],
    ),
    (
        "system-tests",
        &["migrations", "poller", "private-postgres", "regulator", "server", "simulator", "web"],
    ),
];

#[test]
fn each_crate_knows_only_those_it_may() {
    let own: BTreeSet<&str> = own_packages().map(name).collect();
    for package in own_packages() {
        let (_, allowed) = MAY_KNOW
            .iter()
            .find(|(crate_name, _)| *crate_name == name(package))
            .unwrap_or_else(|| panic!("{}: say in this test what it may know", name(package)));
        for dependency in package["dependencies"].as_array().unwrap().iter().filter(|d| d["kind"] != "dev") {
            let other = dependency["name"].as_str().unwrap();
            assert!(
                !own.contains(other) || allowed.contains(&other),
                "{} must not know {other}",
                name(package)
            );
        }
    }
}

/// The crates of the trade and of who is to be told are pure: no I/O, no async, no SQL, whatever their dependencies bring along.
#[test]
fn the_pure_crates_depend_on_nothing_that_reaches_outside() {
    for pure in ["regulator", "oncall"] {
        let reached = reached_from(pure);
        for outside in
            ["tokio", "mio", "sqlx", "sqlx-core", "axum", "hyper", "reqwest", "tracing-subscriber", "rand"]
        {
            assert!(!reached.contains(outside), "{pure} comes to depend on {outside}");
        }
    }
    assert!(reached_from("server").contains("tokio"), "this test can see such things");
}

/// Every package that ends up in what this crate ships.
fn reached_from(start: &str) -> BTreeSet<&'static str> {
    let names: BTreeMap<&str, &str> = packages().map(|p| (p["id"].as_str().unwrap(), name(p))).collect();
    let nodes = METADATA["resolve"]["nodes"].as_array().unwrap();
    let start = own_packages().find(|p| name(p) == start).expect("a crate of ours")["id"].as_str().unwrap();
    let mut to_visit = vec![start];
    let mut seen = BTreeSet::new();
    while let Some(id) = to_visit.pop() {
        if !seen.insert(id) {
            continue;
        }
        let node = nodes.iter().find(|n| n["id"] == id).unwrap();
        for dependency in node["deps"].as_array().unwrap() {
            let shipped = dependency["dep_kinds"].as_array().unwrap().iter().any(|k| k["kind"].is_null());
            if shipped {
                to_visit.push(dependency["pkg"].as_str().unwrap());
            }
        }
    }
    seen.into_iter().map(|id| names[id]).collect()
}
