//! 500 DNP3 outstations, everything of each polled by one poller process every ten seconds, and then every second, beside bare reads of 60 registers over
//! Modbus at the same pace.
//!
//! The devices, `tapkeeper poll` with a PostgreSQL of its own, the same without anything to poll, its polling part alone and the bare clients are a
//! process each, and all run at the same time. Every outstation has an endpoint, hence a connection, of its own. A poll is a read of all classes,
//! answered with 20 analogs, 10 binaries and 5 counters; the poller makes a reading of it and stores that. What a session costs without a
//! poller around it is measured by the bench of the crate `dnp3`.

use std::{fmt::Write as _, fs, time::Duration};

use anyhow::{Context, Result, ensure};
use private_postgres::Durability;
use system_tests::free_port;
use tokio::process::Child;

use crate::{
    outstation_parts::{ADDRESS, OUTSTATIONS, PROFILE, SELDOM, ports},
    polling::{Figures, figures, watch},
    process::{self, resident_kib},
    report::{Table, verdict},
};

/// Until every connection is made and everything that is asked for once was asked.
const WARM: Duration = Duration::from_secs(25);
const WINDOW: Duration = Duration::from_secs(60);
const MOST_RATIO: f64 = 2.0;
const MOST_KIB: f64 = 32.0;

pub(crate) async fn run() -> Result<()> {
    for interval_s in [10, 1] {
        every(interval_s).await?;
    }
    Ok(())
}

async fn every(interval_s: u64) -> Result<()> {
    let (folder, cluster) = process::cluster(Durability::Full)?;
    let url = process::database(&cluster, "outstations").await?;
    let empty = process::database(&cluster, "nothing").await?;
    let path = |name: &str| {
        Ok::<_, anyhow::Error>(folder.path().join(name).to_str().context("a plain path")?.to_owned())
    };
    let (file, fleet, profiles) = (path("ports")?, path("fleet.csv")?, path("profiles")?);
    let mut devices = process::part(&["part", "outstations", &file])?;
    ensure!(process::line(&mut devices).await? == "ready", "the devices did not start");
    fs::create_dir(&profiles)?;
    fs::write(folder.path().join("profiles/bench.toml"), PROFILE)?;
    fs::write(&fleet, csv(&ports(&file)?.1, interval_s)?)?;
    let import = ["fleet", "import", &fleet, "--profiles", &profiles];
    ensure!(process::tapkeeper(&import, &url)?.wait().await?.success(), "the fleet was not imported");

    let port = free_port();
    let poller = process::tapkeeper(&["poll", "--metrics", &format!("127.0.0.1:{port}")], &url)?;
    let idle = process::tapkeeper(&["poll"], &empty)?;
    let times = [interval_s, WARM.as_secs(), WINDOW.as_secs()].map(|seconds| seconds.to_string());
    let [interval, warm, window] = &times;
    let mut part = process::part(&["part", "masters", &file, interval, warm, window])?;
    let mut bare = process::part(&["part", "registers", &file, interval, warm, window])?;
    let whole = watch(&poller, port, WARM, WINDOW).await?;
    let memory = |poller: &Child| resident_kib(poller.id().context("a poller ended early")?);
    let (with, without) = (memory(&poller)?, memory(&idle)?);
    let (part, bare) = (figures(&mut part).await?, figures(&mut bare).await?);
    show(interval_s, [whole, part, bare], with, without);
    Ok(())
}

/// The fleet file.
fn csv(ports: &[u16], interval_s: u64) -> Result<String> {
    let mut csv = "substation,feeder,site,phase,kva,rated_current_a,rated_voltage_v,pt_ratio,ct_ratio,endpoint,unit,profile,\
                   poll_interval_s,integrity_interval_s,event_polls,time_zone\n"
        .to_owned();
    let seldom = SELDOM.as_secs();
    for (number, port) in ports.iter().enumerate() {
        writeln!(
            csv,
            "Grid,Row,Plot {number},A,333,438,7620,63.5,1000,dnp3-tcp://127.0.0.1:{port},{ADDRESS},bench,{interval_s},{interval_s},\
             \"1,2,3@{seldom}s\",America/Denver"
        )?;
    }
    Ok(csv)
}

fn show(interval_s: u64, [whole, part, bare]: [Figures; 3], with_kib: f64, without_kib: f64) {
    let mut table = Table::new(
        &format!(
            "500 outstations, everything of each polled every {interval_s} s, a connection each; all processes at the same time, 60 s"
        ),
        &["process", "polls", "missed", "99 % start within", "CPU a poll", "ratio to bare", "of one core"],
    );
    for (name, f, bound) in [
        ("tapkeeper poll, whole, 35 values", whole, "<= "),
        ("its polling part alone, 35 values", part, ""),
        ("bare tokio-modbus read, 60 registers", bare, ""),
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
    let session_kib = (with_kib - without_kib) / f64::from(OUTSTATIONS);
    let mut promises = Table::new("Promises of the whole process", &["what", "promise", "figure", ""]);
    promises.row([
        "CPU a poll, whole process to bare read".into(),
        format!("at most {MOST_RATIO}"),
        format!("{ratio:.2}"),
        verdict(ratio <= MOST_RATIO),
    ]);
    promises.row([
        "memory an outstation".into(),
        format!("at most {MOST_KIB} KiB"),
        format!("{session_kib:.1} KiB ({with_kib:.0} KiB of 500, {without_kib:.0} KiB of none)"),
        verdict(session_kib <= MOST_KIB),
    ]);
    promises.print();
}
