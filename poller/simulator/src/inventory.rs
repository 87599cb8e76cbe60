//! The fleet's inventory: who is who, and the CSV that a fleet import takes.

use regulator::{Connection, Nameplate, Phase};

use crate::Fleet;

/// How often the simulated fleet is to be polled, seconds.
const POLL_INTERVAL_S: u32 = 10;

const COLUMNS: [&str; 25] = [
    "substation",
    "feeder",
    "site",
    "fed_from",
    "bank",
    "connection",
    "phase",
    "kva",
    "rated_current_a",
    "rated_voltage_v",
    "pt_ratio",
    "ct_ratio",
    "voltage_base_v",
    "step_count",
    "tap_min",
    "tap_max",
    "winding_type",
    "endpoint",
    "unit",
    "position",
    "profile",
    "poll_interval_s",
    "latitude",
    "longitude",
    "time_zone",
];

/// One regulator as the inventory has it.
#[derive(Debug, Clone)]
pub struct Member<'a> {
    /// Name of its substation.
    pub substation: &'a str,
    /// Name of its feeder.
    pub feeder: &'a str,
    /// Name of its site.
    pub site: &'a str,
    /// Name of the next site towards the substation; empty: the substation itself.
    pub fed_from: &'a str,
    /// Name of its bank.
    pub bank: &'a str,
    /// How the bank is connected.
    pub connection: Connection,
    /// Its phase, or pair.
    pub phase: Phase,
    /// What is written on it.
    pub nameplate: &'a Nameplate,
    /// Number of its endpoint.
    pub endpoint: usize,
    /// Modbus unit of its control, or the link address of its outstation.
    pub unit: u16,
    /// Which of the control's regulators it is, from 1.
    pub position: u8,
    /// Name of the profile that reads it.
    pub profile: &'static str,
    /// Degrees north.
    pub latitude: f64,
    /// Degrees east.
    pub longitude: f64,
}

/// Where the endpoints listen: one address each.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Addresses(pub(crate) Vec<String>);

impl Addresses {
    /// Successive ports from `base_port` on, at this host name or address.
    ///
    /// # Panics
    /// If the ports would run past 65535.
    #[must_use]
    pub fn from_base(fleet: &Fleet, host: &str, base_port: u16) -> Self {
        let port = |n: usize| {
            let n = u16::try_from(n).ok();
            n.and_then(|n| base_port.checked_add(n)).expect("ports for all endpoints, at most 65535")
        };
        Self((0..fleet.endpoint_count()).map(|n| address(fleet.scheme(n), host, port(n))).collect())
    }

    /// The same ports at another host name or address.
    pub(crate) fn at(&self, host: &str) -> Self {
        let moved = |text: &String| {
            let (scheme, place) = text.split_once("://")?;
            Some(address(scheme, host, place.rsplit(':').next()?.parse().ok()?))
        };
        Self(self.0.iter().filter_map(moved).collect())
    }

    /// As the inventory writes it: `modbus-tcp://HOST:PORT` or `dnp3-tcp://HOST:PORT`. Nothing for an endpoint there is not.
    #[must_use]
    pub fn get(&self, endpoint: usize) -> Option<&str> {
        self.0.get(endpoint).map(String::as_str)
    }

    /// All of them, by number of the endpoint.
    pub fn iter(&self) -> impl ExactSizeIterator<Item = &str> {
        self.0.iter().map(String::as_str)
    }
}

pub(crate) fn address(scheme: &str, host: &str, port: u16) -> String {
    // An IPv6 address goes in brackets.
    if host.contains(':') {
        format!("{scheme}://[{host}]:{port}")
    } else {
        format!("{scheme}://{host}:{port}")
    }
}

impl Fleet {
    /// Whether the controls behind this endpoint speak DNP3.
    pub(crate) fn speaks_dnp3(&self, endpoint: usize) -> bool {
        self.plan.regulators.iter().any(|unit| unit.endpoint == endpoint && unit.layout.is_objects())
    }

    pub(crate) fn scheme(&self, endpoint: usize) -> &'static str {
        if self.speaks_dnp3(endpoint) { "dnp3-tcp" } else { "modbus-tcp" }
    }

    /// The regulator of this number; nothing if there is none.
    #[must_use]
    pub fn member(&self, regulator: usize) -> Option<Member<'_>> {
        let plan = &self.plan;
        let unit = plan.regulators.get(regulator)?;
        let bank = &plan.banks[unit.bank];
        let site = &plan.sites[bank.site];
        let feeder = &plan.feeders[site.feeder];
        Some(Member {
            substation: &plan.substations[feeder.substation].name,
            feeder: &feeder.name,
            site: &site.name,
            fed_from: self.fed_from(unit.bank).unwrap_or_default(),
            bank: "1",
            connection: bank.connection,
            phase: unit.phase,
            nameplate: &unit.nameplate,
            endpoint: unit.endpoint,
            unit: unit.unit,
            position: unit.position,
            profile: unit.layout.profile(),
            latitude: site.latitude,
            longitude: site.longitude,
        })
    }

    /// The name of the site that feeds this bank's.
    fn fed_from(&self, bank: usize) -> Option<&str> {
        let plan = &self.plan;
        let mut node = plan.nodes.iter().find(|node| node.bank == Some(bank))?;
        loop {
            node = &plan.nodes[node.parent?];
            if let Some(bank) = node.bank {
                return Some(&plan.sites[plan.banks[bank].site].name);
            }
        }
    }

    /// All regulators, in the order of their numbers.
    pub fn members(&self) -> impl ExactSizeIterator<Item = Member<'_>> {
        (0..self.len()).map(|r| self.member(r).expect("numbers below the length"))
    }

    /// The inventory as the CSV that a fleet import takes, a row a regulator in the order of their numbers. In the database a
    /// regulator is found again by (endpoint address, unit, position).
    #[must_use]
    pub fn csv(&self, addresses: &Addresses) -> String {
        let mut rows = csv::Writer::from_writer(Vec::new());
        // Writing to memory cannot fail, and every row has as many fields as the first.
        rows.write_record(COLUMNS).expect("memory takes it");
        for member in self.members() {
            rows.write_record(self.row(&member, addresses)).expect("memory takes it");
        }
        let bytes = rows.into_inner().expect("memory takes it");
        String::from_utf8(bytes).expect("names and numbers are UTF-8")
    }

    fn row(&self, m: &Member<'_>, addresses: &Addresses) -> [String; 25] {
        let n = m.nameplate;
        [
            m.substation.to_owned(),
            m.feeder.to_owned(),
            m.site.to_owned(),
            m.fed_from.to_owned(),
            m.bank.to_owned(),
            m.connection.name().to_owned(),
            m.phase.name().to_owned(),
            n.kva.to_string(),
            n.rated_current_a.to_string(),
            n.rated_voltage_v.to_string(),
            n.pt_ratio.to_string(),
            n.ct_ratio.to_string(),
            n.voltage_base_v.to_string(),
            n.step_count.to_string(),
            n.tap_min.to_string(),
            n.tap_max.to_string(),
            n.winding_type.name().to_owned(),
            addresses.get(m.endpoint).unwrap_or_default().to_owned(),
            m.unit.to_string(),
            m.position.to_string(),
            m.profile.to_owned(),
            POLL_INTERVAL_S.to_string(),
            m.latitude.to_string(),
            m.longitude.to_string(),
            self.plan.time_zone.name().to_owned(),
        ]
    }
}
