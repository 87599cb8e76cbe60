//! The role `simulate`: the fictional utility's devices by themselves, for a poller on this machine or another.

use std::fs;
use std::io::ErrorKind;
use std::net::{IpAddr, Ipv4Addr};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use anyhow::{Context, Result};
use chrono::{NaiveTime, TimeDelta, Utc};
use tokio_util::sync::CancellationToken;

use crate::{Addresses, Devices, Fleet};

/// How far the fleet's stories lie back when it starts anew.
const PAST_DAYS: i64 = 30;
/// How often the state is kept.
const KEEP_EVERY: Duration = Duration::from_secs(60);

/// Serve a simulated fleet of regulators over Modbus TCP and DNP3.
#[derive(Debug, Clone, clap::Args)]
pub struct Simulate {
    /// Address to listen at.
    #[arg(long, default_value_t = IpAddr::V4(Ipv4Addr::LOCALHOST))]
    pub listen: IpAddr,
    /// First port; each simulated endpoint takes the next one. 0 takes any free ports.
    #[arg(long, default_value_t = 15_020)]
    pub base_port: u16,
    /// Host name or address to write into the fleet's CSV instead of the listening address.
    #[arg(long)]
    pub advertise: Option<String>,
    /// What the fleet's chances are drawn from.
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// Write the fleet's inventory to this file, ready to be imported.
    #[arg(long)]
    pub fleet_csv: Option<PathBuf>,
    /// Keep the state of the fleet in this file, so that taps and counters go on after a restart.
    #[arg(long)]
    pub state: Option<PathBuf>,
}

/// Runs the role until stopped.
///
/// # Errors
/// If a port cannot be had, or a file cannot be read or written.
pub async fn simulate(options: Simulate, stop: CancellationToken) -> Result<()> {
    let fleet = fleet(&options)?;
    let devices = Devices::bind(&fleet, options.listen, options.base_port).await?;
    if let Some(path) = &options.fleet_csv {
        let addresses = advertised(&options, &devices);
        fs::write(path, fleet.csv(&addresses))
            .with_context(|| format!("cannot write the fleet's inventory to {}", path.display()))?;
    }
    tracing::info!(
        regulators = fleet.len(),
        endpoints = fleet.endpoint_count(),
        first = devices.addresses().get(0),
        "simulated fleet answers"
    );
    let fleet = Arc::new(Mutex::new(fleet));
    let keeper = keep_state(options.state.as_deref(), &fleet, &stop);
    let ((), kept) = tokio::join!(devices.run(Arc::clone(&fleet), stop.clone()), keeper);
    kept
}

/// The fleet as it was kept, else one whose stories began thirty days ago (at midnight, so that two starts on one day give
/// the same), brought up to now.
fn fleet(options: &Simulate) -> Result<Fleet> {
    let kept = options.state.as_deref().map(read_state).transpose()?.flatten();
    let mut fleet = kept.unwrap_or_else(|| {
        let start = (Utc::now() - TimeDelta::days(PAST_DAYS)).with_time(NaiveTime::MIN);
        Fleet::new(options.seed, start.earliest().unwrap_or_else(Utc::now))
    });
    fleet.advance_to(Utc::now());
    Ok(fleet)
}

fn advertised(options: &Simulate, devices: &Devices) -> Addresses {
    options
        .advertise
        .as_deref()
        .map_or_else(|| devices.addresses().clone(), |host| devices.addresses().at(host))
}

async fn keep_state(path: Option<&Path>, fleet: &Mutex<Fleet>, stop: &CancellationToken) -> Result<()> {
    let Some(path) = path else { return Ok(()) };
    loop {
        let stopped = stop.run_until_cancelled(tokio::time::sleep(KEEP_EVERY)).await.is_none();
        let written = write_state(path, fleet);
        if stopped {
            return written;
        }
        if let Err(error) = written {
            tracing::warn!(error = format!("{error:#}"), "the simulated fleet's state is not kept");
        }
    }
}

fn read_state(path: &Path) -> Result<Option<Fleet>> {
    let text = match fs::read_to_string(path) {
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(None),
        other => other
            .with_context(|| format!("cannot read the simulated fleet's state from {}", path.display()))?,
    };
    let unusable =
        || format!("{} does not hold a usable state; move it away to start a new fleet", path.display());
    let snapshot = serde_json::from_str(&text).with_context(unusable)?;
    Ok(Some(Fleet::restore(snapshot).with_context(unusable)?))
}

/// Written beside and then put in place, so that a crash leaves the old state.
fn write_state(path: &Path, fleet: &Mutex<Fleet>) -> Result<()> {
    let snapshot = fleet.lock().unwrap_or_else(PoisonError::into_inner).snapshot();
    let beside = path.with_extension("new");
    let text = serde_json::to_vec(&snapshot).context("the state cannot be written as JSON")?;
    fs::write(&beside, text)
        .and_then(|()| fs::rename(&beside, path))
        .with_context(|| format!("cannot keep the simulated fleet's state in {}", path.display()))
}
