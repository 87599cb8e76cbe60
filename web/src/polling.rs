//! Health of polling: what is sick stands first.

use askama::Template;
use chrono::TimeDelta;
use regulator::Timestamp;

use crate::{board::age, frame::Frame, words};

/// One poller process.
#[derive(Debug, Clone)]
pub struct Poller {
    /// Its name.
    pub name: String,
    /// When it last said that it lives.
    pub heartbeat_at: Timestamp,
    /// When it began.
    pub started_at: Timestamp,
    /// It has not said so for too long.
    pub silent: bool,
    /// Endpoints and regulators it polls.
    pub endpoints: i32,
    /// Regulators it polls.
    pub regulators: i32,
    /// Polls since it began.
    pub polls: i64,
    /// Readings written since it began.
    pub written: i64,
    /// Readings held in memory, waiting for the database.
    pub held: i64,
    /// Readings given up because too many were held.
    pub given_up: i64,
    /// 99 of 100 polls start at most so late, in milliseconds.
    pub lateness_p99_ms: Option<f32>,
}

impl Poller {
    /// Whether more waits than the readings of a few polls, which are always on their way to the database.
    #[must_use]
    pub fn is_holding(&self) -> bool {
        self.held > 3 * i64::from(self.regulators).max(10)
    }
}

/// How an endpoint is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Health {
    /// It does not answer as it should.
    Failing,
    /// No poller has reported of it.
    Unpolled,
    /// Its poller has not reported of it for too long.
    Silent,
    /// It answers.
    Well,
}

impl Health {
    /// In a word or two.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Failing => "failing",
            Self::Unpolled => "not polled",
            Self::Silent => "no report",
            Self::Well => "answering",
        }
    }

    /// The sign that goes with it.
    #[must_use]
    pub const fn level(self) -> &'static str {
        match self {
            Self::Failing => "high",
            Self::Unpolled | Self::Silent => "blind",
            Self::Well => "calm",
        }
    }
}

/// One endpoint.
#[derive(Debug, Clone)]
pub struct Endpoint {
    /// Its address.
    pub address: String,
    /// The sites it serves.
    pub sites: String,
    /// Its poller.
    pub poller: Option<String>,
    /// How it is.
    pub health: Health,
    /// When it last answered.
    pub last_success_at: Option<Timestamp>,
    /// Since when it fails.
    pub failing_since: Option<Timestamp>,
    /// Kind of the last error.
    pub error_kind: Option<String>,
    /// The last error.
    pub error: Option<String>,
    /// Of the last answered request.
    pub latency_ms: Option<f32>,
    /// Largest delay of a poll's start lately.
    pub lateness_ms: Option<f32>,
    /// Polls since its poller began.
    pub polls: i64,
    /// Failures since then, by kind.
    pub failures: Vec<(String, i64)>,
    /// What the devices behind it say they are.
    pub devices: String,
    /// How often they restarted since then.
    pub restarts: i64,
    /// How often they lost events since then.
    pub overflows: i64,
    /// How far their clocks are ahead, the worst of them.
    pub clock_offset_ms: Option<i64>,
}

impl Endpoint {
    /// What the devices behind it told of themselves beside readings.
    #[must_use]
    pub fn told(&self) -> String {
        let times = |n: i64, what: &str| (n > 0).then(|| format!("{what} {n}\u{a0}×"));
        let clock = self.clock_offset_ms.map(|ms| match ms.unsigned_abs() {
            0..100 => "clock right".to_owned(),
            off => {
                let (seconds, way) = (off / 1000, if ms > 0 { "ahead" } else { "behind" });
                if seconds < 60 {
                    format!("clock {seconds}.{} s {way}", off % 1000 / 100)
                } else {
                    format!("clock {} {way}", words::span(TimeDelta::milliseconds(ms).abs()))
                }
            }
        });
        let devices = (!self.devices.is_empty()).then(|| self.devices.clone());
        let told = [devices, times(self.restarts, "restarted"), times(self.overflows, "lost events"), clock];
        told.into_iter().flatten().collect::<Vec<_>>().join(", ")
    }

    /// What to do about its error.
    #[must_use]
    pub fn remedy(&self) -> &'static str {
        if self.health != Health::Failing {
            return "";
        }
        remedy(self.error_kind.as_deref().unwrap_or_default())
    }
}

/// What usually helps against an error of this kind.
#[must_use]
pub fn remedy(kind: &str) -> &'static str {
    match kind {
        "connect" => "No connection: check the address and port, the network path, and firewalls between.",
        "timeout" => {
            "Connected, but no answer in time: check the unit number, the device behind the gateway, and the gateway's load."
        }
        "exception" => {
            "The device answers that it refuses: check the profile's tables and addresses against the device's own list."
        }
        "malformed" => {
            "The answer breaks the protocol: check the framing (modbus-tcp or modbus-rtu-tcp) and what else uses the line."
        }
        "closed" => {
            "The device hangs up: often too many masters at once, or its idle limit; check how many connections it takes."
        }
        _ => "Look at the error's text, and try `tapkeeper probe` on this endpoint.",
    }
}

/// A follower of the feed: detection, rollups.
#[derive(Debug, Clone)]
pub struct Follower {
    /// Its name.
    pub name: String,
    /// Batches written and not dealt with.
    pub lag: i64,
    /// When the oldest of them was written.
    pub oldest: Option<Timestamp>,
    /// When it last moved on.
    pub moved_at: Timestamp,
}

/// The database.
#[derive(Debug, Clone)]
pub struct Database {
    /// Its size.
    pub size_bytes: i64,
    /// Days of readings that have a partition.
    pub partitions: i64,
    /// The first of them.
    pub first_day: Option<String>,
    /// The last of them.
    pub last_day: Option<String>,
    /// Whether readings of tomorrow have a place.
    pub ahead: bool,
}

/// Messages to people.
#[derive(Debug, Clone)]
pub struct Outbox {
    /// Waiting or under way.
    pub waiting: i64,
    /// Given up.
    pub given_up: i64,
    /// When the oldest waiting one was written.
    pub oldest: Option<Timestamp>,
}

/// The page.
#[derive(Debug, Template)]
#[template(path = "polling.html")]
pub struct PollingPage {
    /// What surrounds it.
    pub frame: Frame,
    /// Every poller, sick ones first.
    pub pollers: Vec<Poller>,
    /// Endpoints, sick ones first.
    pub endpoints: Vec<Endpoint>,
    /// Endpoints in all.
    pub total: i64,
    /// Endpoints that are not well.
    pub sick: i64,
    /// Followers of the feed.
    pub followers: Vec<Follower>,
    /// The database.
    pub database: Database,
    /// Messages to people.
    pub outbox: Outbox,
    /// The instant that ages are counted to.
    pub now: Timestamp,
}

impl PollingPage {
    fn age(&self, at: &Timestamp) -> String {
        age((self.now - at).num_seconds().max(0))
    }

    fn since(&self, at: &Option<Timestamp>) -> String {
        at.map_or_else(|| "never".to_owned(), |at| format!("{} ago", self.age(&at)))
    }

    fn milliseconds(value: &Option<f32>) -> String {
        value.map_or_else(
            || "–".to_owned(),
            |ms| if ms < 1.0 { "< 1\u{a0}ms".to_owned() } else { format!("{ms:.0}\u{a0}ms") },
        )
    }

    /// Not every endpoint is shown.
    fn cut(&self) -> bool {
        i64::try_from(self.endpoints.len()).is_ok_and(|shown| shown < self.total)
    }

    fn count(n: &i64) -> String {
        words::count(*n)
    }

    fn size(&self) -> String {
        let mebibytes = self.database.size_bytes / (1 << 20);
        if mebibytes < 10_240 {
            format!("{} MiB", words::count(mebibytes))
        } else {
            format!("{} GiB", words::count(mebibytes / 1024))
        }
    }
}
