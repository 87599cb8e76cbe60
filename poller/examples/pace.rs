//! What paced polling costs: our endpoints' tasks against a bare client loop that sends the same requests at the same pace.
//!
//! `pace serve`, then in turn `pace ours PORT COUNT SECONDS` and `pace bare PORT COUNT SECONDS`; each prints its polls, processor time a
//! poll, and lateness. The device is a process of its own, so that only the client's time is counted.

#![allow(clippy::unwrap_used, reason = "a measurement, not a service")]

use std::sync::Arc;
use std::time::Duration;

use poller::endpoint::{
    Clock, Context, EndpointPlan, LinkSettings, RegulatorPlan, Report, UnitPlan, channel, run,
};
use poller::modbus::{Table, Timeouts};
use poller::profile::{Profile, ReadPlan};
use regulator::Nameplate;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::time::Instant;
use tokio_modbus::client::{Reader as _, tcp};
use tokio_util::sync::CancellationToken;

const INTERVAL: Duration = Duration::from_secs(10);

#[tokio::main]
async fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let number = |i: usize| args[i].parse::<usize>().unwrap();
    match args[0].as_str() {
        "serve" => serve().await,
        mode @ ("ours" | "bare") => {
            let (count, seconds) = (number(2), u64::try_from(number(3)).unwrap());
            let port = u16::try_from(number(1)).unwrap();
            let lateness = if mode == "ours" {
                ours(port, count, seconds).await
            } else {
                bare(port, count, seconds).await
            };
            show(mode, lateness);
        }
        other => panic!("unknown mode {other}"),
    }
}

/// Processor time of this process so far, of user and system, in seconds.
fn processor_seconds() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap();
    let fields: Vec<&str> = stat.rsplit_once(')').unwrap().1.split_whitespace().collect();
    let ticks: f64 = fields[11].parse::<f64>().unwrap() + fields[12].parse::<f64>().unwrap();
    ticks / 100.0
}

/// Latenesses of all polls after the first interval, and the processor time they took.
struct Measured {
    lateness: Vec<Duration>,
    missed: u64,
    processor_s: f64,
}

fn show(mode: &str, mut measured: Measured) {
    measured.lateness.sort_unstable();
    let polls = measured.lateness.len();
    let p99 = measured.lateness.get(polls * 99 / 100).copied().unwrap_or_default();
    #[allow(clippy::cast_precision_loss)]
    let each_us = measured.processor_s * 1e6 / polls.max(1) as f64;
    println!(
        "{mode}: {polls} polls, {} missed, {each_us:.1} us a poll, p99 lateness {p99:?}",
        measured.missed
    );
}

async fn serve() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    println!("{}", listener.local_addr().unwrap().port());
    loop {
        let (stream, _) = listener.accept().await.unwrap();
        tokio::spawn(answer(stream));
    }
}

async fn answer(mut stream: TcpStream) {
    stream.set_nodelay(true).unwrap();
    let mut request = [0u8; 12];
    while stream.read_exact(&mut request).await.is_ok() {
        let count = u16::from_be_bytes([request[10], request[11]]);
        let data = if request[7] <= 2 { count.div_ceil(8) } else { 2 * count };
        let mut frame = request[..9].to_vec();
        frame[4..6].copy_from_slice(&(3 + data).to_be_bytes());
        frame[8] = u8::try_from(data).unwrap();
        frame.resize(9 + usize::from(data), 0x42);
        if stream.write_all(&frame).await.is_err() {
            return;
        }
    }
}

fn profile() -> Arc<Profile> {
    Arc::new(Profile::shipped().iter().find(|s| s.name == "single-float").unwrap().profile().unwrap())
}

async fn ours(port: u16, count: usize, seconds: u64) -> Measured {
    let (reports, mut received) = channel(100_000);
    let context = Context {
        timeouts: Timeouts::default(),
        reports,
        clock: Arc::new(Clock::system()),
        stop: CancellationToken::new(),
        tls: None,
    };
    let profile = profile();
    for id in 0..i32::try_from(count).unwrap() {
        let regulator = RegulatorPlan { position: 1, regulator_id: id, nameplate: Nameplate::common() };
        let unit = UnitPlan {
            unit: 1,
            profile: Ok(profile.clone()),
            regulators: vec![regulator],
            interval: INTERVAL,
            link: LinkSettings::default(),
        };
        let address = format!("modbus-tcp://127.0.0.1:{port}");
        tokio::spawn(run(EndpointPlan { endpoint_id: id, address, units: vec![unit] }, context.clone()));
    }
    let warm = Instant::now() + INTERVAL;
    let end = warm + Duration::from_secs(seconds);
    let mut measured = Measured { lateness: vec![], missed: 0, processor_s: 0.0 };
    let mut before = None;
    while let Ok(Some(report)) = tokio::time::timeout_at(end, received.recv()).await {
        let Report::Outcome(outcome) = report else { continue };
        assert!(outcome.result.is_ok(), "{outcome:?}");
        if Instant::now() >= warm {
            before.get_or_insert_with(processor_seconds);
            measured.lateness.push(outcome.lateness);
            measured.missed += u64::from(outcome.missed);
        }
    }
    measured.processor_s = processor_seconds() - before.unwrap();
    measured
}

async fn bare(port: u16, count: usize, seconds: u64) -> Measured {
    let plan = Arc::new(ReadPlan::new(&profile(), &[1]));
    let (sender, mut received) = tokio::sync::mpsc::unbounded_channel();
    let start = Instant::now();
    for id in 0..u32::try_from(count).unwrap() {
        let (plan, sender) = (plan.clone(), sender.clone());
        tokio::spawn(async move {
            let mut due = start + INTERVAL / u32::try_from(count).unwrap() * id;
            tokio::time::sleep_until(due).await;
            let stream = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
            stream.set_nodelay(true).unwrap();
            let mut context = tcp::attach(stream);
            loop {
                tokio::time::sleep_until(due).await;
                let late = due.elapsed();
                for request in &plan.requests {
                    assert_eq!(request.table(), Table::Holding);
                    context
                        .read_holding_registers(request.address(), request.count())
                        .await
                        .unwrap()
                        .unwrap();
                }
                if sender.send(late).is_err() {
                    return;
                }
                due += INTERVAL;
            }
        });
    }
    let warm = start + INTERVAL;
    let end = warm + Duration::from_secs(seconds);
    let mut measured = Measured { lateness: vec![], missed: 0, processor_s: 0.0 };
    let mut before = None;
    while let Ok(Some(late)) = tokio::time::timeout_at(end, received.recv()).await {
        if Instant::now() >= warm {
            before.get_or_insert_with(processor_seconds);
            measured.lateness.push(late);
        }
    }
    measured.processor_s = processor_seconds() - before.unwrap();
    measured
}
