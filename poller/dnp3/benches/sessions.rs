//! What a poll costs, beside a bare Modbus client reading as much; what a session holds; how fast a full fragment is decoded.
//!
//! 500 outstations and 500 Modbus devices answer in a process of their own (this program again). The masters and the bare clients run in
//! turn in this one, saturated, on one thread, so that the processor time is theirs alone. Quote the ratio, not the times.
#![allow(clippy::unwrap_used, clippy::cast_precision_loss, missing_docs, reason = "a bench")]

use std::fs;
use std::future::ready;
use std::hint::black_box;
use std::io::{BufRead as _, BufReader};
use std::process::{Command, Stdio};
use std::sync::Mutex;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use dnp3::Now;
use dnp3::application::Fragment;
use dnp3::link::Address;
use dnp3::master::{Arrived, AssociationConfig, Channel, ChannelConfig, Host, Note, Receipt, Task};
use dnp3::objects::{Flags, Kind, Points, Timestamp, Value};
use dnp3::outstation::{Database, PointConfig, Session, SessionConfig, Station};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc;
use tokio_modbus::client::{Reader as _, tcp};
use tokio_modbus::server::{Service, tcp::Server};
use tokio_modbus::{ExceptionCode, Request, Response, SlaveRequest};

const OUTSTATIONS: usize = 500;
const SECONDS: u64 = 10;

fn main() {
    let many = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    if std::env::args().any(|arg| arg == "devices") {
        many.block_on(devices());
        return;
    }
    decode();
    many.block_on(polls());
}

fn now(start: Instant) -> Now {
    let wall = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default().as_millis();
    Now { monotonic: start.elapsed(), wall: Timestamp::from_millis(u64::try_from(wall).unwrap_or(0)) }
}

/// 20 analogs, 10 binaries, 5 counters.
fn station() -> Station {
    let mut database = Database::new(10);
    let start = Instant::now();
    let mut add = |kind, count: u16, value: fn(u16) -> Value<'static>| {
        for index in 0..count {
            database.add(kind, index, PointConfig::of(kind)).unwrap();
            let time = dnp3::objects::Time { at: now(start).wall, synchronised: None };
            database.update(kind, index, value(index), Flags::ONLINE, time).unwrap();
        }
    };
    add(Kind::Analog, 20, |i| Value::Analog(f64::from(i) * 100.0));
    add(Kind::Binary, 10, |i| Value::Binary(i % 2 == 0));
    add(Kind::Counter, 5, |i| Value::Counter(u32::from(i) * 1000));
    Station::new(vec![Session::new(
        SessionConfig::new(Address::from_wire(10), Address::from_wire(1)),
        database,
    )])
}

struct Registers;

impl Service for Registers {
    type Request = SlaveRequest<'static>;
    type Response = Option<Response>;
    type Exception = ExceptionCode;
    type Future = std::future::Ready<Result<Option<Response>, ExceptionCode>>;

    fn call(&self, request: SlaveRequest<'static>) -> Self::Future {
        ready(match request.request {
            Request::ReadHoldingRegisters(_, count) => {
                Ok(Some(Response::ReadHoldingRegisters(vec![7; count.into()])))
            }
            _ => Err(ExceptionCode::IllegalFunction),
        })
    }
}

/// Answers on two ports, which it prints, for as long as its standard input is open.
async fn devices() {
    let outstations = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let modbus = TcpListener::bind("127.0.0.1:0").await.unwrap();
    println!("{} {}", outstations.local_addr().unwrap().port(), modbus.local_addr().unwrap().port());
    tokio::spawn(async move {
        loop {
            let (stream, _) = outstations.accept().await.unwrap();
            stream.set_nodelay(true).unwrap();
            tokio::spawn(async move {
                let (station, start) = (Mutex::new(station()), Instant::now());
                drop(dnp3::net::answer(stream, &station, || now(start), &std::sync::Arc::default()).await);
            });
        }
    });
    tokio::spawn(async move {
        let open = |stream: TcpStream, _| ready(stream.set_nodelay(true).map(|()| Some((Registers, stream))));
        drop(Server::new(modbus).serve(&open, |_| {}).await);
    });
    let ended = tokio::task::spawn_blocking(|| std::io::stdin().read_line(&mut String::new()));
    drop(ended.await);
}

/// Counts polls and values; each poll is followed by the next at once, its period being a millisecond.
#[derive(Default)]
struct Count {
    polls: u64,
    values: u64,
}

impl Host for Count {
    fn arrived(&mut self, arrived: &Arrived<'_>) -> Receipt {
        for block in arrived.fragment.blocks().map_while(Result::ok) {
            for point in Points::of(&block, None) {
                black_box(point);
                self.values += 1;
            }
        }
        Receipt::Now
    }

    fn note(&mut self, _: Address, note: Note) {
        match note {
            Note::Done { task: Task::Integrity, .. } => self.polls += 1,
            Note::Failed { failure, task, .. } if task.is_poll() => panic!("{failure}"),
            _ => {}
        }
    }
}

async fn polls() {
    let mut child = Command::new(std::env::current_exe().unwrap())
        .arg("devices")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut line = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
    let mut ports = line.split_whitespace().map(|port| port.parse::<u16>().unwrap());
    let (outstations, modbus) = (ports.next().unwrap(), ports.next().unwrap());

    let before = resident_kib();
    let (dnp3_cost, values, after) = masters(outstations).await;
    let session_kib = (after - before) / OUTSTATIONS as f64;
    let modbus_cost = bare_clients(modbus).await;
    child.kill().unwrap();
    child.wait().unwrap();

    let ratio = dnp3_cost / modbus_cost;
    println!(
        "\n{OUTSTATIONS} outstations on one master process, integrity polls of 35 values, saturated for {SECONDS} s"
    );
    println!("  what                                              figure      promise");
    println!("  CPU a poll, of {values:.1} values                       {:8.1} us", dnp3_cost * 1e6);
    println!("  CPU of a bare tokio-modbus read of 60 registers   {:8.1} us", modbus_cost * 1e6);
    println!(
        "  ratio                                             {ratio:8.2}     at most 2       {}",
        verdict(ratio <= 2.0)
    );
    println!(
        "  memory a session, its socket and task included    {session_kib:8.1} KiB at most 32 KiB  {}",
        verdict(session_kib <= 32.0)
    );
}

const fn verdict(kept: bool) -> &'static str {
    if kept { "kept" } else { "NOT KEPT" }
}

/// CPU seconds of a poll, its values, and the memory in use meanwhile, KiB.
async fn masters(port: u16) -> (f64, f64, f64) {
    let mut tasks = tokio::task::JoinSet::new();
    let begun = cpu_seconds();
    for _ in 0..OUTSTATIONS {
        tasks.spawn(async move {
            let stream = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
            stream.set_nodelay(true).unwrap();
            let mut config = AssociationConfig::new(Address::from_wire(10), Duration::from_secs(3600));
            config.event_polls.clear();
            config.integrity_period = Duration::from_millis(1);
            (config.attributes, config.clock_period) = (false, Duration::ZERO);
            let mut channel =
                Channel::new(ChannelConfig::new(Address::from_wire(1)), vec![config], Duration::ZERO);
            let (mut count, start) = (Count::default(), Instant::now());
            let (_keep, mut stored) = mpsc::unbounded_channel();
            let run = dnp3::net::drive(stream, &mut channel, &mut count, move || now(start), &mut stored);
            let _time_is_up = tokio::time::timeout(Duration::from_secs(SECONDS), run).await;
            (count.polls, count.values)
        });
    }
    tokio::time::sleep(Duration::from_secs(SECONDS / 2)).await;
    let memory = resident_kib();
    let (mut polls, mut values) = (0, 0);
    while let Some(done) = tasks.join_next().await {
        let (p, v) = done.unwrap();
        (polls, values) = (polls + p, values + v);
    }
    ((cpu_seconds() - begun) / polls as f64, values as f64 / polls as f64, memory)
}

/// CPU seconds of a bare read of 60 registers.
async fn bare_clients(port: u16) -> f64 {
    let mut tasks = tokio::task::JoinSet::new();
    let begun = cpu_seconds();
    for _ in 0..OUTSTATIONS {
        tasks.spawn(async move {
            let stream = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
            stream.set_nodelay(true).unwrap();
            let mut client = tcp::attach(stream);
            let (mut reads, end) = (0_u64, Instant::now() + Duration::from_secs(SECONDS));
            while Instant::now() < end {
                assert_eq!(client.read_holding_registers(0, 60).await.unwrap().unwrap().len(), 60);
                reads += 1;
            }
            reads
        });
    }
    let mut reads = 0;
    while let Some(done) = tasks.join_next().await {
        reads += done.unwrap();
    }
    (cpu_seconds() - begun) / reads as f64
}

/// Processor seconds, user and system, of this process so far.
fn cpu_seconds() -> f64 {
    let stat = fs::read_to_string("/proc/self/stat").unwrap();
    let after = stat.rsplit_once(')').unwrap().1;
    // fields 14 and 15; USER_HZ is 100 on every Linux that Rust runs on
    after.split_whitespace().skip(11).take(2).map(|f| f.parse::<f64>().unwrap()).sum::<f64>() / 100.0
}

fn resident_kib() -> f64 {
    let status = fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).unwrap();
    line.trim().trim_end_matches(" kB").parse().unwrap()
}

/// A full fragment of 30v1 and 32v3, decoded to its last value.
fn decode() {
    let mut bytes = vec![0xC0, 0x81, 0, 0, 30, 1, 1, 0, 0, 199, 0];
    bytes.extend((0..200_u32).flat_map(|i| [1, i.to_le_bytes()[0], 1, 0, 0]));
    let events = (2048 - bytes.len() - 5) / 13;
    bytes.extend([32, 3, 0x28, u8::try_from(events).unwrap(), 0]);
    bytes.extend((0..events).flat_map(|i| [u8::try_from(i).unwrap(), 0, 1, 7, 0, 0, 0, 1, 2, 3, 4, 5, 0]));
    let once = |bytes: &[u8]| {
        let fragment = Fragment::parse(black_box(bytes)).unwrap();
        let mut sum = 0.0;
        let mut values = 0;
        for block in fragment.blocks() {
            for point in Points::of(&block.unwrap(), None) {
                let Value::Analog(x) = point.value else { continue };
                sum += x;
                values += 1;
            }
        }
        black_box(sum);
        values
    };
    let values = once(&bytes);
    let mut times: Vec<f64> = (0..50)
        .map(|_| {
            let begun = Instant::now();
            for _ in 0..1000 {
                once(&bytes);
            }
            begun.elapsed().as_secs_f64() / 1000.0 * 1e6
        })
        .collect();
    times.sort_by(f64::total_cmp);
    println!(
        "\nDecoding {} bytes of 30v1 and 32v3, {values} values: {:.2} us (promise: under 10)  {}",
        bytes.len(),
        times[25],
        verdict(times[25] < 10.0)
    );
}
