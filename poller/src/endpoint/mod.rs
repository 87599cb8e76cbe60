//! Endpoints: which units to poll behind each address, when, and how it went.
//!
//! [`run`] is the task of one endpoint: it is given an [`EndpointPlan`] and tells [`Report`]s. Devices are spoken to through
//! [`crate::modbus`]; what to make of the reports is up to [`crate::store`].

mod backoff;
mod clock;
mod report;
mod schedule;
mod task;
mod unit;

use std::sync::Arc;
use std::time::Duration;

use dnp3::master::{Classes, EventPoll, TimeSync};
use regulator::Nameplate;

use crate::profile::{Profile, ProfileErrors};

pub(crate) use backoff::Backoff;
pub use clock::Clock;
pub use report::{
    Answered, DeviceEvent, DeviceNews, Failure, Identity, Outcome, Receipt, Report, ReportSender, channel,
};
pub use task::{Context, run};

/// One endpoint and everything to poll behind it.
#[derive(Debug, Clone)]
pub struct EndpointPlan {
    /// The row of the inventory.
    pub endpoint_id: i32,
    /// `modbus-tcp://HOST:PORT`, `modbus-rtu-tcp://HOST:PORT` for RTU framing over TCP, `dnp3-tcp://HOST:PORT`, or
    /// `dnp3-tls://HOST:PORT`.
    pub address: String,
    /// The units behind it, polled in turn.
    pub units: Vec<UnitPlan>,
}

/// One control.
#[derive(Debug, Clone)]
pub struct UnitPlan {
    /// Modbus unit identifier, or the link address of a DNP3 outstation.
    pub unit: u16,
    /// How to read it; or why that is not known, in which case its outcome says so and its neighbours are polled.
    pub profile: Result<Arc<Profile>, ProfileErrors>,
    /// The regulators it serves.
    pub regulators: Vec<RegulatorPlan>,
    /// Time from one poll to the next.
    pub interval: Duration,
    /// How it is spoken to, if it speaks DNP3.
    pub link: LinkSettings,
}

/// How a DNP3 control is spoken to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LinkSettings {
    /// Link address of this master.
    pub master: u16,
    /// Time from one poll of everything to the next.
    pub integrity: Duration,
    /// Which events to ask for how often; all of them at the unit's interval if empty.
    pub event_polls: Vec<EventPoll>,
    /// Events that it may report by itself.
    pub unsolicited: Classes,
    /// How to set its clock when it asks for the time.
    pub time_sync: TimeSync,
}

impl Default for LinkSettings {
    fn default() -> Self {
        Self {
            master: 1,
            integrity: Duration::from_secs(3600),
            event_polls: vec![],
            unsolicited: Classes::default(),
            time_sync: TimeSync::Never,
        }
    }
}

/// One regulator of a control.
#[derive(Debug, Clone)]
pub struct RegulatorPlan {
    /// Which of the control's regulators, 1 to 3.
    pub position: u8,
    /// The row of the inventory.
    pub regulator_id: i32,
    /// What its readings are judged by.
    pub nameplate: Nameplate,
}
