//! One row of a fleet file, read and checked by itself.

use chrono_tz::Tz;
use regulator::{Connection, Phase, WindingType};

use super::{cell::RowReader, link, profiles::ProfileSet};
use crate::{
    endpoint::{Address, LinkSettings},
    profile::Protocol,
};

/// One regulator as a fleet file has it.
#[derive(Debug, Clone, PartialEq)]
#[allow(missing_docs, reason = "the fields are the columns; the schema describes them")]
pub struct Row {
    pub substation: String,
    pub feeder: String,
    pub site: String,
    /// The next site with regulators towards the substation, on the same feeder; empty: the substation itself.
    pub fed_from: String,
    pub bank: String,
    pub connection: Connection,
    pub phase: Phase,
    pub kva: f32,
    pub rated_current_a: f32,
    pub rated_voltage_v: f32,
    pub pt_ratio: f32,
    pub ct_ratio: f32,
    pub voltage_base_v: f32,
    pub step_count: i32,
    pub tap_min: i32,
    pub tap_max: i32,
    pub winding_type: WindingType,
    /// In its canonical form.
    pub endpoint: String,
    pub unit: u16,
    pub position: u8,
    pub profile: String,
    pub poll_interval_ms: i32,
    /// As by default where the endpoint speaks Modbus.
    pub link: LinkSettings,
    /// Latitude and longitude, degrees.
    pub place: Option<(f64, f64)>,
    pub time_zone: String,
}

/// By what a regulator is matched on re-import: substation, feeder, site, bank, phase.
pub(super) type Key<'a> = (&'a str, &'a str, &'a str, &'a str, Phase);

impl Row {
    pub(super) fn key(&self) -> Key<'_> {
        (&self.substation, &self.feeder, &self.site, &self.bank, self.phase)
    }

    /// The key for people.
    pub(super) fn title(&self) -> String {
        let (substation, feeder, site, bank, phase) = self.key();
        format!("{substation} > {feeder} > {site} > {bank} > {}", phase.name())
    }

    /// What its endpoint speaks.
    pub(super) fn protocol(&self) -> Protocol {
        self.endpoint.parse().as_ref().map_or(Protocol::default(), Address::protocol)
    }

    /// Reads a row. Every cell is looked at, whatever is wrong with the others.
    pub(super) fn read(reader: &mut RowReader<'_>, profiles: &ProfileSet) -> Option<Self> {
        let substation = reader.name("substation", None);
        let feeder = reader.name("feeder", None);
        let site = reader.name("site", None);
        let fed_from = reader.name("fed_from", Some(""));
        let bank = reader.name("bank", Some("1"));
        let connections = ["wye", "open_delta", "closed_delta"];
        let connection =
            reader.word("connection", Some(Connection::Wye), &connections, Connection::from_name);
        let phase = reader.word("phase", None, &["A", "B", "C", "AB", "BC", "CA"], Phase::from_name);
        let kva = reader.number("kva", None, &(0.1..=100_000.0));
        let rated_current_a = reader.number("rated_current_a", None, &(0.1..=100_000.0));
        let rated_voltage_v = reader.number("rated_voltage_v", None, &(1.0..=1_000_000.0));
        let pt_ratio = reader.number("pt_ratio", None, &(0.01..=100_000.0));
        let ct_ratio = reader.number("ct_ratio", None, &(0.01..=1_000_000.0));
        let voltage_base_v = reader.number("voltage_base_v", Some(120.0), &(1.0..=1_000.0));
        let step_count = reader.number("step_count", Some(32), &(1..=1_000));
        let half = step_count.unwrap_or(32) / 2;
        let tap_min = reader.number("tap_min", Some(-half), &(-500..=0));
        let tap_max = reader.number("tap_max", Some(half), &(0..=500));
        if let (Some(0), Some(0)) = (tap_min, tap_max) {
            reader.fault::<()>(
                "tap_max",
                "both tap limits are 0",
                "leave the cells empty for the whole range",
            );
        }
        let winding_type =
            reader.word("winding_type", Some(WindingType::B), &["A", "B"], WindingType::from_name);
        let endpoint = endpoint(reader);
        let protocol = endpoint.as_ref().map(Address::protocol);
        let highest = protocol.unwrap_or(Protocol::Dnp3).highest_unit();
        let unit = reader.number("unit", None, &(0..=i32::from(highest))).and_then(|n| u16::try_from(n).ok());
        let position = reader.number("position", Some(1), &(1..=3_i32)).and_then(|n| u8::try_from(n).ok());
        let profile = profile(reader, profiles, position, protocol);
        let poll_interval_ms = interval(reader);
        // where profile and endpoint are at odds, which columns have a meaning is not known
        let link = link::read(reader, protocol.filter(|_| profile.is_some()));
        let place = place(reader);
        let time_zone = time_zone(reader);
        Some(Self {
            substation: substation?,
            feeder: feeder?,
            site: site?,
            fed_from: fed_from?,
            bank: bank?,
            connection: connection?,
            phase: phase?,
            kva: kva?,
            rated_current_a: rated_current_a?,
            rated_voltage_v: rated_voltage_v?,
            pt_ratio: pt_ratio?,
            ct_ratio: ct_ratio?,
            voltage_base_v: voltage_base_v?,
            step_count: step_count?,
            tap_min: tap_min?,
            tap_max: tap_max?,
            winding_type: winding_type?,
            endpoint: endpoint?.to_string(),
            unit: unit?,
            position: position?,
            profile: profile?,
            poll_interval_ms: poll_interval_ms?,
            link: link?,
            place: place?,
            time_zone: time_zone?,
        })
    }
}

fn endpoint(reader: &mut RowReader<'_>) -> Option<Address> {
    let text = reader.name("endpoint", None)?;
    match text.parse::<Address>() {
        Ok(address) => Some(address),
        Err(error) => {
            let error = error.to_string();
            let (what, remedy) = error.split_once("; ").unwrap_or((&error, "correct it"));
            reader.fault("endpoint", what, remedy)
        }
    }
}

fn profile(
    reader: &mut RowReader<'_>,
    profiles: &ProfileSet,
    position: Option<u8>,
    protocol: Option<Protocol>,
) -> Option<String> {
    let name = reader.name("profile", None)?;
    let Some(profile) = profiles.get(&name) else {
        let known = profiles.names().collect::<Vec<_>>().join(", ");
        let remedy = format!("write one of: {known}; or name the folder of your own with --profiles");
        return reader.fault("profile", format!("there is no profile '{name}'"), remedy);
    };
    if let Some(spoken) = protocol.filter(|spoken| *spoken != profile.protocol()) {
        let (meant, spoken) = (profile.protocol().title(), spoken.title());
        let what = format!("profile '{name}' is for {meant}, but the endpoint speaks {spoken}");
        return reader.fault("profile", what, format!("write one for {spoken}, or correct the endpoint"));
    }
    let positions = profile.positions();
    if let Some(position) = position.filter(|p| !positions.contains(p)) {
        let mapped = positions.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ");
        let what = format!("profile '{name}' has no points for position {position}");
        return reader.fault("position", what, format!("it maps position {mapped}"));
    }
    Some(name)
}

#[allow(clippy::cast_possible_truncation, reason = "the range is checked")]
fn interval(reader: &mut RowReader<'_>) -> Option<i32> {
    let seconds = reader.number("poll_interval_s", Some(10.0), &(0.1..=86_400.0))?;
    Some((seconds * 1000.0_f64).round() as i32)
}

/// The outer nothing is a fault, the inner one a place that is not known.
fn place(reader: &mut RowReader<'_>) -> Option<Option<(f64, f64)>> {
    let has = |column| reader.cells.get(column).is_some();
    match (has("latitude"), has("longitude")) {
        (false, false) => Some(None),
        (true, true) => {
            let latitude = reader.number("latitude", None, &(-90.0..=90.0));
            let longitude = reader.number("longitude", None, &(-180.0..=180.0));
            Some(Some((latitude?, longitude?)))
        }
        (true, false) => {
            reader.fault("longitude", "there is a latitude but no longitude", "give both or neither")
        }
        (false, true) => {
            reader.fault("latitude", "there is a longitude but no latitude", "give both or neither")
        }
    }
}

fn time_zone(reader: &mut RowReader<'_>) -> Option<String> {
    let name = reader.name("time_zone", None)?;
    match name.parse::<Tz>() {
        Ok(zone) => Some(zone.name().to_owned()),
        Err(_) => {
            let remedy = "write its name in the IANA time zone database, such as America/Chicago";
            reader.fault("time_zone", format!("'{name}' is not a time zone"), remedy)
        }
    }
}
