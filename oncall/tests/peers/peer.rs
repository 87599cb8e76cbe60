//! The peer: an order in, an answer out, both JSON.

use std::{
    io::Write,
    path::Path,
    process::{Command, Stdio},
};

use oncall::rota::{Rota, Turn};
use serde::Deserialize;
use serde_json::json;

/// What it tells.
#[derive(Debug, Deserialize)]
pub(crate) struct Answer {
    /// The turns of each case and level.
    pub(crate) cases: Vec<Vec<Vec<Row>>>,
    pub(crate) feeds: Vec<Feed>,
}

/// A turn: person, beginning, end, layer.
pub(crate) type Row = (Option<i32>, String, String, String);

/// What it read from a feed.
#[derive(Debug, Deserialize)]
pub(crate) struct Feed {
    pub(crate) name: String,
    pub(crate) version: String,
    /// UID, beginning, end, summary, stamp.
    pub(crate) events: Vec<(String, String, String, String, String)>,
}

/// A turn of ours in the peer's form.
pub(crate) fn row(turn: &Turn) -> Row {
    let json = serde_json::to_value(turn).unwrap();
    let text = |name: &str| json[name].as_str().unwrap().to_owned();
    (turn.person.map(|p| p.0), text("from"), text("to"), text("why"))
}

/// Asks it about rotas, all in one window, and feeds.
pub(crate) fn ask(rotas: &[Rota], window: (&str, &str), feeds: &[String]) -> Answer {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap();
    let python = root.join(".venv/bin/python");
    assert!(python.exists(), "no independent peers: run `make peers` (`make test` does)");
    let mut child = Command::new(python)
        .arg(root.join("tests/peers/rota.py"))
        // the pinned package of the time zone database, not the machine's copy
        .env("PYTHONTZPATH", "")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let cases = rotas.iter().map(|rota| json!({ "rota": rota, "from": window.0, "to": window.1 }));
    let order = json!({ "cases": cases.collect::<Vec<_>>(), "feeds": feeds });
    child.stdin.take().unwrap().write_all(order.to_string().as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "the peer failed");
    serde_json::from_slice(&output.stdout).unwrap()
}
