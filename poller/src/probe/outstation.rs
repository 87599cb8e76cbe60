//! Probing a DNP3 outstation: all present values are read once, and shown as they came beside what the profile makes of them.
//!
//! The probe is a bystander: it takes no events, clears nothing and silences nobody, so it does not disturb the master that the
//! outstation belongs to.

use std::time::Duration;

use dnp3::link::Address as LinkAddress;
use dnp3::master::{Arrived, AssociationConfig, Channel, ChannelConfig, Host, Note, Now, Receipt, Task};
use dnp3::net::drive;
use dnp3::objects::{Flags, Kind, Point, Points, Timestamp, Value};
use tokio::sync::mpsc;
use tokio::time::{Instant, timeout};

use super::outstation_report::{ObjectReport, OutstationReport, QuantityReport};
use crate::outstation::{connect, identity};
use crate::profile::{Profile, object};

/// Where to look, and as whom.
pub(super) struct Target<'a> {
    pub(super) shown: String,
    pub(super) host: &'a str,
    pub(super) port: u16,
    pub(super) unit: u16,
    pub(super) master: u16,
    pub(super) connect_timeout: Duration,
    pub(super) response_timeout: Duration,
}

/// Reads the outstation once.
///
/// # Errors
/// When an address is not that of a device. One that does not answer is part of the report.
pub(super) async fn run(
    target: Target<'_>,
    tls: Option<&crate::Tls>,
    name: String,
    profile: Profile,
) -> anyhow::Result<OutstationReport> {
    let wrong = |what: &str, n: u16| anyhow::anyhow!("{n} is not a link address of {what}: use 0 to 65519");
    let outstation = LinkAddress::device(target.unit).ok_or_else(|| wrong("an outstation", target.unit))?;
    let master = LinkAddress::device(target.master).ok_or_else(|| wrong("a master", target.master))?;
    let mut seen = Seen {
        profile: &profile,
        left: vec![Task::Static, Task::Attributes, Task::Clock],
        report: OutstationReport {
            address: target.shown,
            unit: target.unit,
            master: target.master,
            profile: name,
            title: profile.title.clone(),
            identity: None,
            indications: None,
            clock_offset_ms: None,
            latency_ms: None,
            errors: vec![],
            objects: vec![],
            missing: vec![],
        },
        done: mpsc::unbounded_channel().0,
    };
    let (done, mut finished) = mpsc::unbounded_channel();
    seen.done = done;
    match connect(target.host, target.port, tls, target.connect_timeout).await {
        Err(error) => seen.report.errors.push(format!("cannot connect: {error}")),
        Ok(stream) => {
            let mut config = AssociationConfig::new(outstation, Duration::from_secs(3600));
            config.keeps_house = false;
            config.integrity_period = Duration::ZERO;
            config.event_polls.clear();
            let mut channel_config = ChannelConfig::new(master);
            channel_config.response_timeout = target.response_timeout;
            let mut channel = Channel::new(channel_config, vec![config], Duration::ZERO);
            let start = Instant::now();
            let now = move || Now { monotonic: start.elapsed(), wall: wall() };
            // present values need no storing: they are confirmed at once, where an answer of several fragments asks for it
            let (_stored, mut stored) = mpsc::unbounded_channel();
            let longest = target.response_timeout * 8 + Duration::from_secs(10);
            let ended = tokio::select! {
                ended = drive(stream, &mut channel, &mut seen, now, &mut stored) => Some(ended.to_string()),
                _ = timeout(longest, finished.recv()) => None,
            };
            if let Some(ended) = ended.filter(|_| !seen.left.is_empty()) {
                seen.report.errors.push(ended);
            }
        }
    }
    Ok(seen.into_report())
}

fn wall() -> Timestamp {
    Timestamp::from_millis(u64::try_from(chrono::Utc::now().timestamp_millis()).unwrap_or(0))
}

/// Gathers what the outstation says.
struct Seen<'a> {
    profile: &'a Profile,
    /// What is still to be asked.
    left: Vec<Task>,
    report: OutstationReport,
    done: mpsc::UnboundedSender<()>,
}

impl Seen<'_> {
    fn over(&mut self, task: Task) {
        self.left.retain(|left| *left != task);
        if self.left.is_empty() {
            // whoever waits may have had enough already
            let _ = self.done.send(());
        }
    }

    fn into_report(mut self) -> OutstationReport {
        let reported = |kind, index| {
            self.report.objects.iter().any(|o| o.object == object::name(kind) && o.index == index)
        };
        self.report.missing = (self.profile.objects.iter().filter(|p| !reported(p.kind, p.index)))
            .map(|p| format!("{} ({} {})", p.label(), object::name(p.kind), p.index))
            .collect();
        self.report
    }

    fn take(&mut self, point: &Point<'_>) {
        let mapped = self.profile.objects.iter().filter(|o| (o.kind, o.index) == (point.kind, point.index));
        let quantities = mapped.map(|o| {
            let (value, quality) = object::value(o, point.value, point.flags);
            let (position, quantity) = (o.position, o.quantity);
            QuantityReport { position, quantity, value, unit: quantity.unit(), quality }
        });
        let report = ObjectReport {
            object: object::name(point.kind),
            index: point.index,
            raw: raw(point.kind, point.value),
            flags: point.flags.map(|Flags(bits)| format!("{bits:02X}")),
            quantities: quantities.collect(),
        };
        self.report.objects.push(report);
    }
}

fn raw(kind: Kind, value: Value<'_>) -> String {
    match value {
        Value::Binary(state) => u8::from(state).to_string(),
        Value::DoubleBit(state) => state.bits().to_string(),
        Value::Counter(count) => count.to_string(),
        Value::Analog(number) => number.to_string(),
        Value::Octets(bytes) => {
            debug_assert_eq!(kind, Kind::Octets);
            String::from_utf8_lossy(bytes).into_owned()
        }
    }
}

impl Host for Seen<'_> {
    fn arrived(&mut self, arrived: &Arrived<'_>) -> Receipt {
        self.report.indications = Some(arrived.indications.to_string());
        if arrived.task == Some(Task::Attributes) {
            self.report.identity = identity(&arrived.fragment);
        }
        for block in arrived.fragment.blocks().map_while(Result::ok) {
            for point in Points::of(&block, None) {
                self.take(&point);
            }
        }
        Receipt::Now
    }

    fn note(&mut self, _: LinkAddress, note: Note) {
        match note {
            Note::Done { task, latency, .. } => {
                if task == Task::Static {
                    self.report.latency_ms = Some((latency.as_secs_f64() * 10_000.0).round() / 10.0);
                }
                self.over(task);
            }
            Note::Failed { task, failure, .. } => {
                self.report.errors.push(failure.to_string());
                self.over(task);
            }
            Note::ClockOffset { millis } => self.report.clock_offset_ms = Some(millis),
            Note::Unreadable(error) => self.report.errors.push(error.to_string()),
            Note::Restarted | Note::Overflowed | Note::ClockSet | Note::UnsolicitedIgnored => {}
        }
    }
}
