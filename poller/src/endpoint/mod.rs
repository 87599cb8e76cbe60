//! Endpoints: which units to poll behind each address, when, and how it went.
//!
//! [`run`] is the task of one endpoint: it is given an [`EndpointPlan`] and tells [`Report`]s. Devices are spoken to through
//! [`crate::modbus`]; what to make of the reports is up to [`crate::store`].

mod address;
mod backoff;
mod clock;
pub(crate) mod link;
mod report;
mod schedule;
mod task;
mod unit;

use std::sync::Arc;
use std::time::Duration;

use regulator::Nameplate;

use crate::profile::{Profile, ProfileErrors};

pub use address::{Address, AddressError};
pub(crate) use backoff::Backoff;
pub use clock::Clock;
pub use link::LinkSettings;
pub use report::{
    Answered, DeviceEvent, DeviceNews, Failure, Identity, Outcome, Receipt, Report, ReportSender, channel,
};
pub use task::{Context, run};

/// One endpoint and everything to poll behind it.
#[derive(Debug, Clone)]
pub struct EndpointPlan {
    /// The row of the inventory.
    pub endpoint_id: i32,
    /// An [`Address`] as text.
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
