//! A role of the program as a child process.

use std::{
    fs::File,
    path::PathBuf,
    process::{Child, Command, Output, Stdio},
    time::{Duration, Instant},
};

use tempfile::NamedTempFile;

/// A running role. Dropping it kills it; if the test is failing, the end of its log is shown.
#[derive(Debug)]
pub struct Role {
    what: String,
    child: Child,
    log: NamedTempFile,
}

impl Role {
    /// Starts `tapkeeper ARGS...` with these additions to its environment.
    ///
    /// # Panics
    /// When there is no such program.
    #[must_use]
    pub fn start(args: &[&str], environment: &[(&str, &str)]) -> Self {
        let log = NamedTempFile::new().unwrap();
        Self { what: args.join(" "), child: spawn(args, environment, log.reopen().unwrap()), log }
    }

    /// Kills it with SIGKILL, which leaves it no time for anything.
    ///
    /// # Panics
    /// When it had ended by itself.
    pub fn kill(&mut self) {
        if let Some(status) = self.child.try_wait().unwrap() {
            panic!("`tapkeeper {}` had ended by itself with {status}:\n{}", self.what, self.log());
        }
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// Starts it again after [`Role::kill`], its log continued.
    ///
    /// # Panics
    /// When there is no such program.
    pub fn start_again(&mut self, args: &[&str], environment: &[(&str, &str)]) {
        let log = File::options().append(true).open(self.log.path()).unwrap();
        self.child = spawn(args, environment, log);
    }

    /// Asks it to stop, as ctrl-c does, and waits until it has.
    ///
    /// # Panics
    /// When it does not, or with a failure.
    pub fn stop(mut self) {
        let id = self.child.id().to_string();
        assert!(Command::new("kill").args(["-INT", &id]).status().unwrap().success());
        let end = Instant::now() + Duration::from_secs(120);
        let status = loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                break status;
            }
            assert!(Instant::now() < end, "`tapkeeper {}` did not stop:\n{}", self.what, self.log());
            std::thread::sleep(Duration::from_millis(20));
        };
        assert!(status.success(), "`tapkeeper {}` ended with {status}:\n{}", self.what, self.log());
    }

    /// What it has said so far.
    ///
    /// # Panics
    /// When the log cannot be read.
    #[must_use]
    pub fn log(&self) -> String {
        String::from_utf8_lossy(&std::fs::read(self.log.path()).unwrap()).into_owned()
    }
}

impl Drop for Role {
    fn drop(&mut self) {
        // It may have ended already.
        drop(self.child.kill());
        drop(self.child.wait());
        if std::thread::panicking() {
            let log = self.log();
            let lines: Vec<_> = log.lines().collect();
            let end = &lines[lines.len().saturating_sub(40)..];
            eprintln!("--- end of the log of `tapkeeper {}`:\n{}", self.what, end.join("\n"));
        }
    }
}

/// Runs `tapkeeper ARGS...` to its end.
///
/// # Panics
/// When there is no such program.
#[must_use]
pub fn output_of(args: &[&str]) -> Output {
    command(args).output().unwrap()
}

fn spawn(args: &[&str], environment: &[(&str, &str)], log: File) -> Child {
    let mut command = command(args);
    command.envs(environment.iter().copied()).stdout(log.try_clone().unwrap()).stderr(log);
    command.spawn().unwrap()
}

fn command(args: &[&str]) -> Command {
    let mut command = Command::new(program());
    // Nothing of the test's own environment may configure a role.
    for (name, _) in std::env::vars().filter(|(n, _)| n.starts_with("TAPKEEPER_") || n == "DATABASE_URL") {
        command.env_remove(name);
    }
    command.args(args).env("RUST_LOG", "info").stdin(Stdio::null());
    command
}

/// The program, which lies beside the folder of the test's own.
fn program() -> PathBuf {
    let mine = std::env::current_exe().unwrap();
    let program = mine.ancestors().nth(2).unwrap().join("tapkeeper");
    assert!(
        program.is_file(),
        "{} is not there: `cargo build -p tapkeeper` first (make test does)",
        program.display()
    );
    program
}
