//! Everything we build on is openly licensed.

use serde_json::Value;

use crate::{METADATA, metadata, name, own_packages, root};

/// Licences we may build on: they ask for their notice to be kept, or nothing at all; MPL-2.0 also for changes to its own files.
const OPEN: &[&str] = &[
    "0BSD",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "BSL-1.0",
    "CC0-1.0",
    "CDLA-Permissive-2.0",
    "ISC",
    "MIT",
    "MPL-2.0",
    "NCSA",
    "Unicode-3.0",
    "Unlicense",
    "Zlib",
];

/// Crates whose licence forbids the use we are made for, whatever their metadata say.
const CLOSED: &[&str] = &["dnp3", "rodbus"];

#[test]
fn every_crate_we_build_on_is_openly_licensed() {
    each_is_open(&METADATA);
}

/// The same for what we only fuzz with, which is a workspace of its own.
#[test]
fn every_crate_we_fuzz_with_is_openly_licensed() {
    each_is_open(&metadata("poller/dnp3/fuzz"));
}

fn each_is_open(metadata: &Value) {
    // what has no source is in this repository; of that, ours is asked about below
    for package in metadata["packages"].as_array().unwrap().iter().filter(|p| !p["source"].is_null()) {
        let (name, licence) = (package["name"].as_str().unwrap(), package["license"].as_str());
        let licence = licence.unwrap_or("none given");
        assert!(is_open(licence), "{name} is under `{licence}`");
        assert!(!CLOSED.contains(&name), "{name} must not be used");
    }
}

#[test]
fn our_own_crates_say_under_which_licence_they_are() {
    for package in own_packages() {
        assert_eq!(package["license"], "MIT OR Apache-2.0", "{}", name(package));
    }
}

/// The same for what the pages' assets are built from.
#[test]
fn every_npm_package_is_openly_licensed() {
    let lock = std::fs::read_to_string(root().join("web/package-lock.json")).unwrap();
    let lock: Value = serde_json::from_str(&lock).unwrap();
    for (path, package) in lock["packages"].as_object().unwrap().iter().filter(|(path, _)| !path.is_empty()) {
        let licence = package["license"].as_str().unwrap_or("none given");
        assert!(is_open(licence), "{path} is under `{licence}`");
    }
}

/// Whether an SPDX expression leaves us a choice that is open. `/` is how older crates write OR.
fn is_open(expression: &str) -> bool {
    let expression = expression.replace('/', " OR ").replace('(', " ( ").replace(')', " ) ");
    let words: Vec<&str> = expression.split_whitespace().collect();
    let (open, rest) = either(&words);
    open && rest.is_empty()
}

fn either<'a>(words: &'a [&'a str]) -> (bool, &'a [&'a str]) {
    let (mut open, mut rest) = both(words);
    while let ["OR", after @ ..] = rest {
        let (also, after) = both(after);
        (open, rest) = (open || also, after);
    }
    (open, rest)
}

fn both<'a>(words: &'a [&'a str]) -> (bool, &'a [&'a str]) {
    let (mut open, mut rest) = single(words);
    while let ["AND", after @ ..] = rest {
        let (also, after) = single(after);
        (open, rest) = (open && also, after);
    }
    (open, rest)
}

fn single<'a>(words: &'a [&'a str]) -> (bool, &'a [&'a str]) {
    match words {
        ["(", inner @ ..] => match either(inner) {
            (open, [")", rest @ ..]) => (open, rest),
            (_, rest) => (false, rest),
        },
        [licence, "WITH", exception, rest @ ..] => {
            (OPEN.contains(&format!("{licence} WITH {exception}").as_str()), rest)
        }
        [licence, rest @ ..] => (OPEN.contains(licence), rest),
        [] => (false, words),
    }
}

/// The grammar is that of SPDX 2.3, annex D: WITH binds before AND, AND before OR.
#[test]
fn licence_expressions_are_read_as_spdx_has_them() {
    for open in [
        "MIT",
        "MIT/Apache-2.0",
        "GPL-3.0-only OR MIT",
        "(MIT OR Apache-2.0) AND Unicode-3.0",
        "MIT OR GPL-3.0-only AND ISC",
    ] {
        assert!(is_open(open), "{open}");
    }
    for closed in [
        "",
        "none given",
        "GPL-3.0-only",
        "MIT AND GPL-3.0-only",
        "(MIT OR ISC) AND GPL-3.0-only",
        "GPL-3.0-only WITH LLVM-exception",
    ] {
        assert!(!is_open(closed), "{closed}");
    }
}
