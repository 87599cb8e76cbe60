//! The inventory as the server needs it: every regulator in service with its place, nameplate and endpoint.
//!
//! Loaded whole; [`version`] tells cheaply whether it has changed since.

mod load;

pub use load::{load, version};

use std::collections::BTreeMap;

use regulator::{Connection, Nameplate, Phase};

/// Everything in service.
#[derive(Debug, Clone, Default)]
pub struct Inventory {
    /// The version it was loaded at.
    pub version: i64,
    /// By id, those that are not retired.
    pub regulators: BTreeMap<i32, Regulator>,
    /// By id, all.
    pub endpoints: BTreeMap<i32, Endpoint>,
}

/// One regulator and where it stands.
#[derive(Debug, Clone)]
pub struct Regulator {
    /// Its id.
    pub id: i32,
    /// Phase or phase pair.
    pub phase: Phase,
    /// The facts that its readings are judged by.
    pub nameplate: Nameplate,
    /// Its bank.
    pub bank: Named,
    /// How the bank is connected.
    pub connection: Connection,
    /// The bank's site.
    pub site: Named,
    /// The next site with regulators towards the substation; nothing: the substation itself.
    pub fed_from: Option<i32>,
    /// Degrees north and east, where known.
    pub place: Option<(f64, f64)>,
    /// IANA name of the site's time zone.
    pub time_zone: String,
    /// The site's feeder.
    pub feeder: Named,
    /// The feeder's substation.
    pub substation: Named,
    /// The endpoint behind which its control answers.
    pub endpoint_id: i32,
    /// Modbus unit identifier of the control.
    pub unit: i32,
    /// Which of the control's up to three regulators it is.
    pub position: i32,
    /// Name of its profile.
    pub profile: String,
}

/// A row's id and name.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Named {
    /// Id, unique among its kind.
    pub id: i32,
    /// Name, unique within its parent.
    pub name: String,
}

/// A network address behind which controls answer.
#[derive(Debug, Clone)]
pub struct Endpoint {
    /// Its id.
    pub id: i32,
    /// Its address.
    pub address: String,
    /// The regulators in service behind it.
    pub regulators: Vec<i32>,
}

#[cfg(test)]
pub(crate) mod testing;
