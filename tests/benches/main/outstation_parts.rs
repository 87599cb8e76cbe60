//! The parts of the DNP3 bench that are processes of their own: the devices, the polling part of our poller alone, and bare clients that read 60
//! registers over Modbus at the same pace.

use std::{
    fs,
    future::{Ready, ready},
    sync::{Arc, Mutex},
    time::Duration,
};

use anyhow::{Context, Result, anyhow, ensure};
use chrono::Utc;
use dnp3::{
    Now,
    link::Address,
    master::{Classes, EventPoll},
    objects::{Flags, Kind, Time, Timestamp, Value},
    outstation::{Database, PointConfig, Session, SessionConfig, Station},
};
use poller::{
    endpoint::{EndpointPlan, LinkSettings, RegulatorPlan, UnitPlan},
    profile::Profile,
};
use regulator::Nameplate;
use tokio::{
    net::{TcpListener, TcpStream},
    sync::Notify,
    time::Instant,
};
use tokio_modbus::{
    ExceptionCode, Request, Response, SlaveRequest,
    client::{Reader as _, tcp},
    server::{Service, tcp::Server},
};

use crate::parts::{Window, tell};

pub(crate) const OUTSTATIONS: u16 = 500;
/// Events are asked for once in the bench, at its start.
pub(crate) const SELDOM: Duration = Duration::from_secs(3_600);
/// Link address of every outstation.
pub(crate) const ADDRESS: u16 = 10;
const REGISTERS: u16 = 60;

/// What of the 35 values is a quantity; the others are read and dropped.
pub(crate) const PROFILE: &str = r#"
title = "20 analogs, 10 binaries and 5 counters, of which a regulator has 17"
protocol = "dnp3"
point = [
    { quantity = "tap", object = "analog", index = 0, class = 1 },
    { quantity = "load_voltage", object = "analog", index = 1, class = 3, unit = "V" },
    { quantity = "source_voltage", object = "analog", index = 2, class = 3, unit = "V" },
    { quantity = "current", object = "analog", index = 3, class = 3, unit = "A" },
    { quantity = "real_power", object = "analog", index = 4, class = 3, unit = "kW" },
    { quantity = "reactive_power", object = "analog", index = 5, class = 3, unit = "kvar" },
    { quantity = "power_factor", object = "analog", index = 6, class = 3 },
    { quantity = "set_voltage", object = "analog", index = 7, class = 2, unit = "V" },
    { quantity = "bandwidth", object = "analog", index = 8, class = 2, unit = "V" },
    { quantity = "time_delay", object = "analog", index = 9, class = 2, unit = "s" },
    { quantity = "ldc_resistance", object = "analog", index = 10, class = 2, unit = "V" },
    { quantity = "ldc_reactance", object = "analog", index = 11, class = 2, unit = "V" },
    { quantity = "automatic", object = "binary", index = 0, class = 1 },
    { quantity = "blocked", object = "binary", index = 1, class = 1 },
    { quantity = "at_neutral", object = "binary", index = 2, class = 1 },
    { quantity = "reverse_flow", object = "binary", index = 3, class = 1 },
    { quantity = "operations", object = "counter", index = 0, class = 1 },
]
"#;
/// By analog, in the order of the profile.
const ANALOGS: [f64; 12] = [3.0, 121.5, 119.8, 180.0, 1_300.0, 250.0, 0.98, 122.0, 2.0, 45.0, 3.0, 5.0];

/// The ports that the devices listen at: the Modbus devices', then each outstation's.
pub(crate) fn ports(file: &str) -> Result<(u16, Vec<u16>)> {
    let text = fs::read_to_string(file)?;
    let ports: Vec<u16> = text.lines().map(str::parse).collect::<Result<_, _>>()?;
    let (modbus, outstations) = ports.split_first().context("a port a line")?;
    Ok((*modbus, outstations.to_vec()))
}

/// Answers for ever, at ports that it writes into the file.
pub(crate) async fn devices(file: &str) -> Result<()> {
    let modbus = TcpListener::bind("127.0.0.1:0").await?;
    let mut ports = vec![modbus.local_addr()?.port()];
    for _ in 0..OUTSTATIONS {
        let listener = TcpListener::bind("127.0.0.1:0").await?;
        ports.push(listener.local_addr()?.port());
        tokio::spawn(outstation(listener));
    }
    let ports: Vec<String> = ports.iter().map(u16::to_string).collect();
    fs::write(file, ports.join("\n"))?;
    println!("ready");
    let open = |stream: TcpStream, _| ready(stream.set_nodelay(true).map(|()| Some((Registers, stream))));
    Ok(Server::new(modbus).serve(&open, |_| {}).await?)
}

fn now(start: Instant) -> Now {
    let wall = u64::try_from(Utc::now().timestamp_millis()).unwrap_or(0);
    Now { monotonic: start.elapsed(), wall: Timestamp::from_millis(wall) }
}

/// An outstation for each connection: the poller's, and that of its polling part alone.
async fn outstation(listener: TcpListener) -> Result<()> {
    loop {
        let (stream, _) = listener.accept().await?;
        stream.set_nodelay(true)?;
        let start = Instant::now();
        let session = Session::new(
            SessionConfig::new(Address::from_wire(ADDRESS), Address::from_wire(1)),
            database(now(start))?,
        );
        let station = Mutex::new(Station::new(vec![session]));
        tokio::spawn(async move {
            let changed = Arc::<Notify>::default();
            dnp3::net::answer(stream, &station, || now(start), &changed).await
        });
    }
}

fn database(now: Now) -> Result<Database> {
    let mut database = Database::new(10);
    let mut add = |kind, count: u16, value: fn(u16) -> Value<'static>| -> Result<()> {
        for index in 0..count {
            database.add(kind, index, PointConfig::of(kind))?;
            let time = Time { at: now.wall, synchronised: None };
            database.update(kind, index, value(index), Flags::ONLINE, time)?;
        }
        Ok(())
    };
    add(Kind::Analog, 20, |i| Value::Analog(ANALOGS.get(usize::from(i)).copied().unwrap_or(f64::from(i))))?;
    add(Kind::Binary, 10, |i| Value::Binary(i == 0))?;
    add(Kind::Counter, 5, |i| Value::Counter(12_000 + u32::from(i)))?;
    Ok(database)
}

struct Registers;

impl Service for Registers {
    type Request = SlaveRequest<'static>;
    type Response = Option<Response>;
    type Exception = ExceptionCode;
    type Future = Ready<Result<Option<Response>, ExceptionCode>>;

    fn call(&self, request: SlaveRequest<'static>) -> Self::Future {
        ready(match request.request {
            Request::ReadHoldingRegisters(_, count) => {
                Ok(Some(Response::ReadHoldingRegisters(vec![7; count.into()])))
            }
            _ => Err(ExceptionCode::IllegalFunction),
        })
    }
}

/// The same outstations as the poller has them.
pub(crate) fn plans(file: &str, interval: Duration) -> Result<Vec<EndpointPlan>> {
    let profile = Profile::parse("bench.toml", PROFILE).map_err(|errors| anyhow!("{errors}"))?;
    let profile = Arc::new(profile);
    let plan = |(id, port): (i32, u16)| {
        let regulator = RegulatorPlan { position: 1, regulator_id: id, nameplate: Nameplate::common() };
        let link = LinkSettings {
            integrity: interval,
            event_polls: vec![EventPoll { classes: Classes::EVENTS, period: SELDOM }],
            ..LinkSettings::default()
        };
        let unit = UnitPlan {
            unit: ADDRESS,
            profile: Ok(Arc::clone(&profile)),
            regulators: vec![regulator],
            interval,
            link,
        };
        EndpointPlan { endpoint_id: id, address: format!("dnp3-tcp://127.0.0.1:{port}"), units: vec![unit] }
    };
    Ok((0..).zip(ports(file)?.1).map(plan).collect())
}

/// A task a device that sleeps until its next read is due, reads, and does nothing else.
pub(crate) async fn bare(file: &str, interval: Duration, window: Window) -> Result<()> {
    let (port, _) = ports(file)?;
    let processor = tokio::spawn(window.processor());
    let each = interval / u32::from(OUTSTATIONS);
    let tasks: Vec<_> = (0..u32::from(OUTSTATIONS))
        .map(|n| tokio::spawn(bare_client(port, interval, window.began + each * n, window)))
        .collect();
    let mut lateness = vec![];
    for task in tasks {
        lateness.extend(task.await??);
    }
    tell(&lateness, 0, processor.await??);
    Ok(())
}

async fn bare_client(
    port: u16,
    interval: Duration,
    mut due: Instant,
    window: Window,
) -> Result<Vec<Duration>> {
    let stream = TcpStream::connect(("127.0.0.1", port)).await?;
    stream.set_nodelay(true)?;
    let mut client = tcp::attach(stream);
    let mut lateness = vec![];
    while due < window.past {
        tokio::time::sleep_until(due).await;
        let late = due.elapsed();
        let words = client.read_holding_registers(0, REGISTERS).await??;
        ensure!(words.len() == usize::from(REGISTERS), "{} registers", words.len());
        if due >= window.from {
            lateness.push(late);
        }
        due += interval;
    }
    Ok(lateness)
}
