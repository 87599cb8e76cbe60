//! `tapkeeper probe`: reads one device once and shows raw words and decoded quantities side by side. Needs no database.
//!
//! [`main`] is the subcommand; [`run`] does the reading; how it looks is in [`ProbeReport`].

mod report;

use std::path::Path;
use std::process::ExitCode;
use std::time::Duration;

use anyhow::Context as _;
use tokio::time::Instant;

use crate::modbus::{Address, Client, Data, ErrorKind, ModbusError, ReadRequest, Timeouts};
use crate::profile::{Profile, Protocol, ReadPlan, decode};

pub use report::{BlockReport, PointReport, ProbeReport};

/// What to probe and how.
#[derive(Debug, Clone, clap::Args)]
pub struct ProbeArgs {
    /// The device: modbus-tcp://HOST:PORT, or modbus-rtu-tcp://HOST:PORT for RTU framing over TCP
    pub address: String,
    /// Its unit identifier
    #[arg(default_value_t = 1)]
    pub unit: u8,
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

/// The subcommand: prints what was read. Success if every request was answered, failure (1) if any was not.
///
/// # Errors
/// When the address or profile is wrong, so that nothing could be asked.
pub async fn main(args: ProbeArgs) -> anyhow::Result<ExitCode> {
    let json = args.json;
    let report = run(args).await?;
    if json {
        println!("{}", serde_json::to_string_pretty(&report)?);
    } else {
        print!("{report}");
    }
    Ok(if report.all_answered() { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

/// Asks every request of the profile once.
///
/// # Errors
/// When the address or profile is wrong. A device that does not answer is part of the report.
pub async fn run(args: ProbeArgs) -> anyhow::Result<ProbeReport> {
    let address: Address = args.address.parse()?;
    let profile = find_profile(&args.profile)?;
    anyhow::ensure!(
        profile.protocol() == Protocol::Modbus,
        "profile '{}' is for {}, but {address} speaks Modbus; name a profile for Modbus",
        args.profile,
        profile.protocol().title()
    );
    let timeouts = Timeouts {
        connect: Duration::from_millis(args.connect_timeout),
        response: Duration::from_millis(args.response_timeout),
        ..Timeouts::default()
    };
    let plan = ReadPlan::new(&profile, &profile.positions());
    let mut client = Client::new(address.clone(), timeouts);
    let (blocks, answers) = ask(&mut client, args.unit, &plan).await;
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
        unit: args.unit,
        profile: args.profile,
        title: profile.title,
        blocks,
        points,
    })
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
