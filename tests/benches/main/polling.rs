//! 2,000 regulators polled every 10 s by one poller process, beside a bare client loop.
//!
//! The devices, `tapkeeper poll` with a PostgreSQL of its own, its polling part alone and the bare loop are a process each, and
//! all run at the same time, so that whatever else this machine does meets them alike. Every regulator has an endpoint, hence
//! a connection, of its own. The promise is about the whole process, store, rollups and health included.

use std::time::Duration;

use anyhow::{Context, Result, ensure};
use private_postgres::Durability;
use system_tests::free_port;
use tokio::process::Child;

use crate::{
    fleet::REGULATORS,
    process::{self, cpu_seconds, fetch},
    report::{Table, verdict},
};

/// Until every connection is made and every regulator was polled once or twice.
const WARM: Duration = Duration::from_secs(25);
const WINDOW: Duration = Duration::from_secs(60);
const MOST_LATE_MS: f64 = 250.0;
const MOST_RATIO: f64 = 2.0;

/// What one process did in the window.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Figures {
    pub(crate) polls: f64,
    pub(crate) missed: f64,
    pub(crate) late_ms: f64,
    pub(crate) processor_s: f64,
}

impl Figures {
    pub(crate) fn us_a_poll(&self) -> f64 {
        self.processor_s * 1e6 / self.polls
    }
}

pub(crate) async fn run() -> Result<()> {
    let (folder, cluster) = process::cluster(Durability::Full)?;
    let url = process::database(&cluster, "polling").await?;
    let file = folder.path().join("fleet.csv");
    let file = file.to_str().context("a plain path")?;
    let mut devices = process::part(&["part", "devices", file, &REGULATORS.to_string()])?;
    ensure!(process::line(&mut devices).await? == "ready", "the devices did not start");
    let imported = process::tapkeeper(&["fleet", "import", file], &url)?.wait().await?;
    ensure!(imported.success(), "the fleet was not imported");

    let port = free_port();
    let poller = process::tapkeeper(&["poll", "--metrics", &format!("127.0.0.1:{port}")], &url)?;
    let (warm, window) = (WARM.as_secs().to_string(), WINDOW.as_secs().to_string());
    let mut part = process::part(&["part", "ours", file, &warm, &window])?;
    let mut bare = process::part(&["part", "bare", file, &warm, &window])?;
    let whole = watch(&poller, port, WARM, WINDOW).await?;
    let (part, bare) = (figures(&mut part).await?, figures(&mut bare).await?);
    show(whole, part, bare);
    Ok(())
}

/// The poller's figures, from its metrics and what the system says of it.
pub(crate) async fn watch(poller: &Child, port: u16, warm: Duration, window: Duration) -> Result<Figures> {
    let id = poller.id().context("the poller ended early")?;
    tokio::time::sleep(warm).await;
    let before = (cpu_seconds(id)?, fetch(port, "/metrics", "").await?);
    tokio::time::sleep(window).await;
    let after = (cpu_seconds(id)?, fetch(port, "/metrics", "").await?);
    let grown = |name: &str| Ok::<f64, anyhow::Error>(value(&after.1, name)? - value(&before.1, name)?);
    ensure!(value(&after.1, "endpoints_failing")? == 0.0, "an endpoint failed");
    let polls = grown("polls_total")?;
    let mut late_ms = f64::INFINITY;
    for line in after.1.lines().filter(|l| l.contains("poll_lateness_seconds_bucket")) {
        let bound = line.split('"').nth(1).context("a bucket's bound")?;
        let up_to = grown(&format!("poll_lateness_seconds_bucket{{le=\"{bound}\"}}"))?;
        if up_to >= 0.99 * polls {
            late_ms = bound.parse::<f64>().unwrap_or(f64::INFINITY) * 1e3;
            break;
        }
    }
    Ok(Figures { polls, missed: grown("polls_missed_total")?, late_ms, processor_s: after.0 - before.0 })
}

fn value(metrics: &str, name: &str) -> Result<f64> {
    let line = metrics
        .lines()
        .find_map(|l| l.strip_prefix("tapkeeper_poller_")?.strip_prefix(name)?.strip_prefix(' '))
        .with_context(|| format!("no metric {name}"))?;
    Ok(line.trim().parse()?)
}

/// What a part of these benches prints at its end.
pub(crate) async fn figures(part: &mut Child) -> Result<Figures> {
    let line = process::line(part).await?;
    let numbers: Vec<f64> = line.split(' ').map(str::parse).collect::<Result<_, _>>()?;
    let [polls, missed, late_ms, processor_s] = numbers[..] else { anyhow::bail!("{line}") };
    Ok(Figures { polls, missed, late_ms, processor_s })
}

fn show(whole: Figures, part: Figures, bare: Figures) {
    let mut table = Table::new(
        "2,000 regulators polled every 10 s, a connection each; all processes at the same time, 60 s",
        &["process", "polls", "missed", "99 % start within", "CPU a poll", "ratio to bare", "of one core"],
    );
    for (name, f, bound) in [
        ("tapkeeper poll, whole", whole, "<= "),
        ("its polling part alone", part, ""),
        ("bare tokio-modbus loop", bare, ""),
    ] {
        table.row([
            name.to_owned(),
            format!("{:.0}", f.polls),
            format!("{:.0}", f.missed),
            format!("{bound}{:.1} ms", f.late_ms),
            format!("{:.0} us", f.us_a_poll()),
            format!("{:.2}", f.us_a_poll() / bare.us_a_poll()),
            format!("{:.1} %", f.processor_s / WINDOW.as_secs_f64() * 100.0),
        ]);
    }
    table.print();
    let ratio = whole.us_a_poll() / bare.us_a_poll();
    let due = f64::from(REGULATORS) * WINDOW.as_secs_f64() / 10.0;
    let mut promises = Table::new("Promises of the whole process", &["what", "promise", "figure", ""]);
    promises.row([
        "missed polls".into(),
        "0".into(),
        format!("{:.0} (polled {:.0} of {due:.0} due)", whole.missed, whole.polls),
        // the window's ends fall between polls
        verdict(whole.missed == 0.0 && whole.polls > 0.995 * due),
    ]);
    promises.row([
        "99th percentile of lateness".into(),
        format!("under {MOST_LATE_MS} ms"),
        format!("<= {} ms", whole.late_ms),
        verdict(whole.late_ms <= MOST_LATE_MS),
    ]);
    promises.row([
        "CPU a poll, whole process to bare loop".into(),
        format!("at most {MOST_RATIO}"),
        format!("{ratio:.2}"),
        verdict(ratio <= MOST_RATIO),
    ]);
    promises.print();
}
