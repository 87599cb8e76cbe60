//! Fingerprints what `npm run build` left in `dist/` and writes the table that `assets` includes.

use std::{env, fmt::Write as _, fs, path::Path};

use sha2::{Digest, Sha256};

/// What the pages ask for; the build fails when one is missing, not the page.
const WANTED: &[&str] = &[
    "app.css",
    "theme.js",
    "frame.js",
    "board.js",
    "site.js",
    "site.css",
    "study.css",
    "renew.js",
    "evidence.css",
    "mark.svg",
];

fn main() {
    let dist = Path::new(&env::var("CARGO_MANIFEST_DIR").expect("cargo names the crate")).join("dist");
    println!("cargo:rerun-if-changed=build.rs");
    println!("cargo:rerun-if-changed={}", dist.display());
    let missing: Vec<_> = WANTED.iter().filter(|name| !dist.join(name).is_file()).collect();
    if !missing.is_empty() {
        let message = format!("{} has no {missing:?}: run `make assets`", dist.display());
        // A release without its pages' styles and scripts would be no release. While developing, everything else can be built.
        assert!(env::var("PROFILE").as_deref() != Ok("release"), "{message}");
        println!("cargo:warning={message} (pages will be bare until then)");
    }
    let table: String =
        WANTED.iter().filter(|name| !missing.contains(name)).map(|name| entry(&dist, name)).collect();
    let out = Path::new(&env::var("OUT_DIR").expect("cargo names the place")).join("assets.rs");
    fs::write(&out, format!("&[\n{table}]\n")).expect("the build folder can be written");
}

/// One row of the table: `Asset { name, path, kind, body }`.
fn entry(dist: &Path, name: &str) -> String {
    let file = dist.join(name);
    let body = fs::read(&file).expect("the file was there a moment ago");
    let hash = Sha256::digest(&body).iter().take(8).fold(String::new(), |mut hex, byte| {
        write!(hex, "{byte:02x}").expect("a string takes everything");
        hex
    });
    let (stem, extension) = name.rsplit_once('.').expect("every asset has an extension");
    let kind = match extension {
        "css" => "text/css; charset=utf-8",
        "js" => "text/javascript; charset=utf-8",
        "svg" => "image/svg+xml",
        other => panic!("no media type is known for .{other}"),
    };
    let path = format!("{stem}-{hash}.{extension}");
    format!(
        "Asset {{ name: {name:?}, path: {path:?}, hash: {hash:?}, kind: {kind:?}, body: include_bytes!({file:?}) }},\n"
    )
}
