//! An independent peer, written in Python on a library that is not ours.

use std::{
    io::{BufRead, BufReader},
    path::Path,
    process::{Child, Command, Stdio},
    sync::{Arc, Mutex, mpsc},
    thread,
    time::Duration,
};

use serde_json::Value;

/// A running peer; dropping it ends it.
#[derive(Debug)]
pub struct Peer {
    child: Child,
    /// Where it listens on 127.0.0.1.
    pub port: u16,
    told: Arc<Mutex<Vec<Value>>>,
}

impl Peer {
    /// Starts `tests/peers/SCRIPT` and waits until it listens.
    ///
    /// # Panics
    /// When the peers are not set up, or it does not come to listen.
    #[must_use]
    pub fn start(script: &str, args: &[&str]) -> Self {
        let mut child = command(script, args).stdout(Stdio::piped()).spawn().unwrap();
        let told = Arc::new(Mutex::new(Vec::new()));
        let (tell_port, port) = mpsc::channel();
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let sink = Arc::clone(&told);
        thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                match line.strip_prefix("listening ") {
                    Some(port) => drop(tell_port.send(port.parse().unwrap())),
                    None => sink.lock().unwrap().push(serde_json::from_str(&line).unwrap()),
                }
            }
        });
        let port = port
            .recv_timeout(Duration::from_secs(120))
            .unwrap_or_else(|_| panic!("{script} does not listen"));
        Self { child, port, told }
    }

    /// Everything it has told so far, a JSON value a line.
    ///
    /// # Panics
    /// When what it told was not JSON.
    #[must_use]
    pub fn told(&self) -> Vec<Value> {
        self.told.lock().unwrap().clone()
    }
}

impl Drop for Peer {
    fn drop(&mut self) {
        // It may have ended already.
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// Everything that a server's page of metrics says, read by an independent parser: samples by name, each as `[labels, value]`.
///
/// # Panics
/// When the page cannot be had, or is not OpenMetrics.
#[must_use]
pub fn metrics(port: u16) -> Value {
    let output = command("open_metrics.py", &[&format!("http://127.0.0.1:{port}/metrics")]).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

fn command(script: &str, args: &[&str]) -> Command {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"));
    let python = folder.join("../.venv/bin/python");
    assert!(python.exists(), "no independent peers: run tests/peers/set-up (make test does)");
    let mut command = Command::new(python);
    command.arg(folder.join("peers").join(script)).args(args);
    command
}
