//! `tapkeeper probe`: reads one device once and shows raw words and decoded quantities side by side. Needs no database.
//!
//! [`main`] is the subcommand; [`run`] does the reading; how it looks is in [`ProbeReport`].

mod outstation;
mod outstation_report;
mod report;

use std::fmt::Display;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Duration;

use anyhow::{Context as _, ensure};
use serde::Serialize;
use tokio::time::Instant;

use crate::endpoint;
use crate::modbus::{Address, Client, Data, ErrorKind, ModbusError, ReadRequest, Timeouts};
use crate::outstation::Tls;
use crate::profile::{Profile, Protocol, ReadPlan, decode};

pub use outstation_report::{ObjectReport, OutstationReport, QuantityReport};
pub use report::{BlockReport, PointReport, ProbeReport};

/// What to probe and how.
#[derive(Debug, Clone, clap::Args)]
pub struct ProbeArgs {
    /// The device: modbus-tcp://HOST:PORT, modbus-rtu-tcp://HOST:PORT for RTU framing over TCP, dnp3-tcp://HOST:PORT or
    /// dnp3-tls://HOST:PORT
    pub address: String,
    /// Its Modbus unit identifier, or the link address of the DNP3 outstation
    #[arg(default_value_t = 1)]
    pub unit: u16,
    /// DNP3: the link address to ask as
    #[arg(long, default_value_t = 1, value_name = "ADDRESS")]
    pub master: u16,
    /// DNP3 over TLS: PEM file with the authority that signed the device's certificate
    #[arg(long, requires_all = ["dnp3_certificate", "dnp3_key"], value_name = "FILE")]
    pub dnp3_authority: Option<PathBuf>,
    /// DNP3 over TLS: PEM file with our own certificate
    #[arg(long, requires_all = ["dnp3_authority", "dnp3_key"], value_name = "FILE")]
    pub dnp3_certificate: Option<PathBuf>,
    /// DNP3 over TLS: PEM file with the private key of that certificate
    #[arg(long, requires_all = ["dnp3_authority", "dnp3_certificate"], value_name = "FILE")]
    pub dnp3_key: Option<PathBuf>,
    /// A profile that comes with the program, or the path of a profile file
    #[arg(long, short)]
    pub profile: String,
    /// How long to wait for a connection, milliseconds
    #[arg(long, default_value_t = 3000, value_name = "MS")]
    pub connect_timeout: u64,
    /// How long to wait for each answer, milliseconds
    #[arg(long, default_value_t = 2000, value_name = "MS")]
    pub response_timeout: u64,
    /// Print JSON instead of tables
    #[arg(long)]
    pub json: bool,
}

impl ProbeArgs {
    /// The usual times for an address, a unit behind it and a profile; no certificates.
    #[must_use]
    pub fn new(address: &str, unit: u16, profile: &str) -> Self {
        Self {
            address: address.to_owned(),
            unit,
            master: 1,
            dnp3_authority: None,
            dnp3_certificate: None,
            dnp3_key: None,
            profile: profile.to_owned(),
            connect_timeout: 3000,
            response_timeout: 2000,
            json: false,
        }
    }
}

/// The subcommand: prints what was read. Success if every request was answered, failure (1) if any was not.
///
/// # Errors
/// When the address or profile is wrong, so that nothing could be asked.
pub async fn main(args: ProbeArgs) -> anyhow::Result<ExitCode> {
    let json = args.json;
    let answered = match args.address.parse()? {
        endpoint::Address::Modbus(_) => {
            let report = run(args).await?;
            print(&report, json)?;
            report.all_answered()
        }
        endpoint::Address::Dnp3 { .. } => {
            let report = run_outstation(args).await?;
            print(&report, json)?;
            report.all_answered()
        }
    };
    Ok(if answered { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

fn print(report: &(impl Display + Serialize), json: bool) -> anyhow::Result<()> {
    if json {
        println!("{}", serde_json::to_string_pretty(report)?);
    } else {
        print!("{report}");
    }
    Ok(())
}

/// Reads a DNP3 outstation once, as a bystander.
///
/// # Errors
/// When the address or profile is wrong. A device that does not answer is part of the report.
pub async fn run_outstation(args: ProbeArgs) -> anyhow::Result<OutstationReport> {
    let endpoint::Address::Dnp3 { tls, host, port } = args.address.parse()? else {
        anyhow::bail!("'{}' is no address of a DNP3 endpoint", args.address);
    };
    let profile = find_profile(&args.profile)?;
    speaks(&profile, &args.profile, Protocol::Dnp3)?;
    let files = args.dnp3_authority.zip(args.dnp3_certificate).zip(args.dnp3_key);
    let identity = match files.filter(|_| tls) {
        Some(((authority, certificate), key)) => Some(Tls::from_files(&authority, &certificate, &key)?),
        None => None,
    };
    ensure!(
        identity.is_some() || !tls,
        "an endpoint over TLS wants --dnp3-authority, --dnp3-certificate and --dnp3-key"
    );
    let target = outstation::Target {
        shown: args.address,
        host: &host,
        port,
        unit: args.unit,
        master: args.master,
        connect_timeout: Duration::from_millis(args.connect_timeout),
        response_timeout: Duration::from_millis(args.response_timeout),
    };
    outstation::run(target, identity.as_ref(), args.profile, profile).await
}

/// Asks every request of the profile once.
///
/// # Errors
/// When the address or profile is wrong. A device that does not answer is part of the report.
pub async fn run(args: ProbeArgs) -> anyhow::Result<ProbeReport> {
    let address: Address = args.address.parse()?;
    let profile = find_profile(&args.profile)?;
    speaks(&profile, &args.profile, Protocol::Modbus)?;
    let unit = u8::try_from(args.unit)
        .with_context(|| format!("{} is not a Modbus unit identifier: use 0 to 255", args.unit))?;
    let timeouts = Timeouts {
        connect: Duration::from_millis(args.connect_timeout),
        response: Duration::from_millis(args.response_timeout),
        ..Timeouts::default()
    };
    let plan = ReadPlan::new(&profile, &profile.positions());
    let mut client = Client::new(address.clone(), timeouts);
    let (blocks, answers) = ask(&mut client, unit, &plan).await;
    let points = plan
        .places
        .iter()
        .map(|place| {
            let point = &profile.points[place.point];
            let (value, quality) = decode::value(point, decode::raw(point, *place, &answers));
            PointReport::new(point, decode::words(point, *place, &answers), value, quality)
        })
        .collect();
    Ok(ProbeReport {
        address: address.to_string(),
        unit,
        profile: args.profile,
        title: profile.title,
        blocks,
        points,
    })
}

/// The profile is for the protocol that the address speaks.
fn speaks(profile: &Profile, name: &str, protocol: Protocol) -> anyhow::Result<()> {
    ensure!(
        profile.protocol() == protocol,
        "profile '{name}' is for {}, but the address speaks {}; name a profile for {1}",
        profile.protocol().title(),
        protocol.title()
    );
    Ok(())
}

/// The shipped profile of this name, or the file at this path.
fn find_profile(name: &str) -> anyhow::Result<Profile> {
    if let Some(shipped) = Profile::shipped().iter().find(|s| s.name == name) {
        return Ok(shipped.profile()?);
    }
    let names: Vec<_> = Profile::shipped().iter().map(|s| s.name).collect();
    let text = std::fs::read_to_string(Path::new(name)).with_context(|| {
        format!(
            "cannot read profile file '{name}'; profiles that come with the program are: {}",
            names.join(", ")
        )
    })?;
    Profile::parse(name, &text).with_context(|| format!("profile '{name}' is wrong"))
}

/// What came back for each request. After a failed connection the rest is not tried.
async fn ask(client: &mut Client, unit: u8, plan: &ReadPlan) -> (Vec<BlockReport>, Vec<Option<Data>>) {
    let mut blocks = vec![];
    let mut answers = vec![];
    for request in &plan.requests {
        let (block, answer) = ask_one(client, unit, *request).await;
        let unreachable = block.error_kind() == Some(ErrorKind::Connect);
        blocks.push(block);
        answers.push(answer);
        if unreachable {
            break;
        }
    }
    (blocks, answers)
}

async fn ask_one(client: &mut Client, unit: u8, request: ReadRequest) -> (BlockReport, Option<Data>) {
    let connected = client.connect().await;
    let sent = Instant::now();
    let answer = match connected {
        Ok(()) => client.read(unit, request).await,
        Err(error) => Err(error),
    };
    let latency_ms = sent.elapsed().as_secs_f64() * 1000.0;
    let error = answer.as_ref().err().map(|error: &ModbusError| (error.kind(), error.text()));
    (BlockReport::new(request, latency_ms, error), answer.ok())
}
