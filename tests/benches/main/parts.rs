//! The parts of the polling benches that are processes of their own: the devices, the polling part of our poller alone, and a bare
//! client loop. The last two read the same fleet file, hold a connection an endpoint, and send the same requests at the same
//! pace. Those of DNP3 are in [`crate::outstation_parts`].

use std::{
    fs,
    net::{IpAddr, Ipv4Addr},
    sync::{Arc, Mutex},
    time::Duration,
};

use anyhow::{Context, Result, bail};
use chrono::Utc;
use poller::{
    endpoint::{self, Clock, EndpointPlan, LinkSettings, RegulatorPlan, Report, UnitPlan},
    modbus::{Table, Timeouts},
    profile::{Profile, ReadPlan},
};
use regulator::Nameplate;
use simulator::{Devices, Fleet};
use tokio::{net::TcpStream, time::Instant};
use tokio_modbus::{
    Slave,
    client::{Context as Client, Reader as _, tcp},
};
use tokio_util::sync::CancellationToken;

use crate::{outstation_parts, process::cpu_seconds, report::quantile};

/// Time from one poll to the next.
const INTERVAL: Duration = Duration::from_secs(10);

/// Does the part that the arguments name: `devices FILE COUNT`, `ours FILE WARM SECONDS` or `bare FILE WARM SECONDS`; with DNP3
/// `outstations FILE`, `masters FILE INTERVAL WARM SECONDS` or `registers FILE INTERVAL WARM SECONDS`.
pub(crate) fn run(args: &[String]) -> Result<()> {
    let [what, file, numbers @ ..] = args else { bail!("a part and a file") };
    let numbers: Vec<u64> = numbers.iter().map(|n| n.parse()).collect::<Result<_, _>>()?;
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build()?;
    runtime.block_on(async {
        match (what.as_str(), numbers.as_slice()) {
            ("devices", &[count]) => devices(file, usize::try_from(count)?).await,
            ("ours", &[warm, seconds]) => ours(plans(controls(file)?), Window::of(warm, seconds)).await,
            ("bare", &[warm, seconds]) => bare(controls(file)?, Window::of(warm, seconds)).await,
            ("outstations", &[]) => outstation_parts::devices(file).await,
            ("masters", &[interval, warm, seconds]) => {
                let plans = outstation_parts::plans(file, Duration::from_secs(interval))?;
                ours(plans, Window::of(warm, seconds)).await
            }
            ("registers", &[interval, warm, seconds]) => {
                let interval = Duration::from_secs(interval);
                outstation_parts::bare(file, interval, Window::of(warm, seconds)).await
            }
            _ => bail!("part: {args:?}"),
        }
    })
}

async fn devices(file: &str, count: usize) -> Result<()> {
    let fleet = Fleet::synthetic(count, count, 1, Utc::now());
    let devices = Devices::bind(&fleet, IpAddr::V4(Ipv4Addr::LOCALHOST), 0).await?;
    fs::write(file, fleet.csv(devices.addresses()))?;
    println!("ready");
    devices.run(Arc::new(Mutex::new(fleet)), CancellationToken::new()).await;
    Ok(())
}

/// One control of the fleet file.
#[derive(Debug, Clone)]
struct Control {
    address: String,
    unit: u8,
    profile: Arc<Profile>,
}

fn controls(file: &str) -> Result<Vec<Control>> {
    let text = fs::read_to_string(file)?;
    let mut lines = text.lines().map(|line| line.split(',').collect::<Vec<_>>());
    let head = lines.next().context("an empty fleet file")?;
    let column = |name: &str| head.iter().position(|h| *h == name).context("a column of the fleet file");
    let (address, unit, profile) = (column("endpoint")?, column("unit")?, column("profile")?);
    let shipped: Vec<(&str, Arc<Profile>)> = Profile::shipped()
        .iter()
        .map(|s| Ok((s.name, Arc::new(s.profile().map_err(|e| anyhow::anyhow!("{e}"))?))))
        .collect::<Result<_>>()?;
    let control = |row: Vec<&str>| -> Result<Control> {
        let known = shipped.iter().find(|(name, _)| *name == row[profile]).context("a shipped profile")?;
        Ok(Control {
            address: row[address].to_owned(),
            unit: row[unit].parse()?,
            profile: Arc::clone(&known.1),
        })
    };
    lines.map(control).collect()
}

/// When polls and processor time are counted.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Window {
    pub(crate) began: Instant,
    pub(crate) from: Instant,
    pub(crate) past: Instant,
}

impl Window {
    fn of(warm_s: u64, seconds: u64) -> Self {
        let began = Instant::now();
        let from = began + Duration::from_secs(warm_s);
        Self { began, from, past: from + Duration::from_secs(seconds) }
    }

    /// Processor seconds of this process within the window.
    pub(crate) async fn processor(self) -> Result<f64> {
        tokio::time::sleep_until(self.from).await;
        let before = cpu_seconds(std::process::id())?;
        tokio::time::sleep_until(self.past).await;
        Ok(cpu_seconds(std::process::id())? - before)
    }
}

/// Prints polls, missed ones, the 99th percentile of lateness in ms, and processor seconds.
pub(crate) fn tell(lateness: &[Duration], missed: u32, processor_s: f64) {
    let lateness: Vec<f64> = lateness.iter().map(|l| l.as_secs_f64() * 1e3).collect();
    println!("{} {missed} {} {processor_s}", lateness.len(), quantile(&lateness, 0.99));
}

fn plans(controls: Vec<Control>) -> Vec<EndpointPlan> {
    let plan = |(id, control): (i32, Control)| {
        let regulator = RegulatorPlan { position: 1, regulator_id: id, nameplate: Nameplate::common() };
        let unit = UnitPlan {
            unit: control.unit.into(),
            profile: Ok(control.profile),
            regulators: vec![regulator],
            interval: INTERVAL,
            link: LinkSettings::default(),
        };
        EndpointPlan { endpoint_id: id, address: control.address, units: vec![unit] }
    };
    (0..).zip(controls).map(plan).collect()
}

/// The poller's endpoint tasks, without store, rollups and health.
async fn ours(plans: Vec<EndpointPlan>, window: Window) -> Result<()> {
    let (reports, mut received) = endpoint::channel(100_000);
    let context = endpoint::Context {
        timeouts: Timeouts::default(),
        reports,
        clock: Arc::new(Clock::system()),
        stop: CancellationToken::new(),
        tls: None,
    };
    for plan in plans {
        tokio::spawn(endpoint::run(plan, context.clone()));
    }
    let processor = tokio::spawn(window.processor());
    let (mut lateness, mut missed) = (vec![], 0);
    // gathered now and then, as the store does
    let mut ticks = tokio::time::interval(Duration::from_millis(200));
    while Instant::now() < window.past {
        ticks.tick().await;
        while let Ok(report) = received.try_recv() {
            if let Report::Outcome(outcome) = report
                && Instant::now() >= window.from
            {
                if let Err(failure) = &outcome.result {
                    bail!("a poll failed: {}", failure.text);
                }
                lateness.push(outcome.lateness);
                missed += outcome.missed;
            }
        }
    }
    tell(&lateness, missed, processor.await??);
    Ok(())
}

/// A task an endpoint that sleeps until its next poll is due and then sends the requests, and nothing else.
async fn bare(controls: Vec<Control>, window: Window) -> Result<()> {
    let processor = tokio::spawn(window.processor());
    let each = INTERVAL / u32::try_from(controls.len())?;
    let tasks: Vec<_> = (0..)
        .zip(controls)
        .map(|(n, control)| tokio::spawn(bare_control(control, window.began + each * n, window)))
        .collect();
    let mut lateness = vec![];
    for task in tasks {
        lateness.extend(task.await??);
    }
    tell(&lateness, 0, processor.await??);
    Ok(())
}

async fn bare_control(control: Control, mut due: Instant, window: Window) -> Result<Vec<Duration>> {
    let plan = ReadPlan::new(&control.profile, &[1]);
    let address = control.address.strip_prefix("modbus-tcp://").context("a Modbus TCP address")?;
    tokio::time::sleep_until(due).await;
    let stream = TcpStream::connect(address).await?;
    stream.set_nodelay(true)?;
    let mut client = tcp::attach_slave(stream, Slave(control.unit));
    let mut lateness = vec![];
    while due < window.past {
        tokio::time::sleep_until(due).await;
        let late = due.elapsed();
        for request in &plan.requests {
            ask(&mut client, request.table(), request.address(), request.count()).await?;
        }
        if due >= window.from {
            lateness.push(late);
        }
        due += INTERVAL;
    }
    Ok(lateness)
}

async fn ask(client: &mut Client, table: Table, address: u16, count: u16) -> Result<()> {
    match table {
        Table::Coil => drop(client.read_coils(address, count).await??),
        Table::Discrete => drop(client.read_discrete_inputs(address, count).await??),
        Table::Holding => drop(client.read_holding_registers(address, count).await??),
        Table::Input => drop(client.read_input_registers(address, count).await??),
    }
    Ok(())
}
