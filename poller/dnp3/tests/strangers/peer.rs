//! A running peer of `tests/peers`: it is told what to do by lines, and tells by JSON lines what came of it.

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc;
use std::thread;
use std::time::Duration;

use serde_json::Value;

/// Only against hanging: the machine may be very busy.
pub(crate) const PATIENCE: Duration = Duration::from_secs(120);

/// A running peer; dropping it ends it.
#[derive(Debug)]
pub(crate) struct Peer {
    child: Child,
    orders: ChildStdin,
    told: mpsc::Receiver<String>,
    /// Where it listens on 127.0.0.1, if it does.
    pub(crate) port: u16,
}

impl Peer {
    /// Starts `tests/peers/SCRIPT` and waits until it is ready.
    pub(crate) fn start(script: &str, argument: &str) -> Self {
        let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
        let python = root.join(".venv/bin/python");
        assert!(python.exists(), "no independent peers: run `make peers` (`make test` does)");
        let mut child = Command::new(python)
            .arg(root.join("tests/peers").join(script))
            .arg(argument)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let orders = child.stdin.take().unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let (tell, told) = mpsc::channel();
        thread::spawn(move || lines.map_while(Result::ok).try_for_each(|line| tell.send(line)));
        let mut peer = Self { child, orders, told, port: 0 };
        let first = peer.line();
        peer.port = first.strip_prefix("listening ").unwrap().parse().unwrap();
        peer
    }

    fn line(&self) -> String {
        self.told.recv_timeout(PATIENCE).unwrap_or_else(|end| panic!("the peer says nothing more: {end}"))
    }

    /// Gives an order and returns everything that it tells until that is done; the last says so.
    pub(crate) fn obey(&mut self, order: &str) -> Vec<Value> {
        self.begin(order);
        self.finish()
    }

    /// Gives an order.
    pub(crate) fn begin(&mut self, order: &str) {
        writeln!(self.orders, "{order}").unwrap();
    }

    /// Everything that it tells until what was begun is done.
    pub(crate) fn finish(&self) -> Vec<Value> {
        let mut all: Vec<Value> = vec![];
        while all.last().is_none_or(|last| last.get("done").is_none()) {
            all.push(serde_json::from_str(&self.line()).unwrap());
        }
        all
    }
}

impl Drop for Peer {
    fn drop(&mut self) {
        // It may have ended already.
        drop(self.child.kill());
        drop(self.child.wait());
    }
}
