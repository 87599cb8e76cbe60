//! What the controls of a site say of themselves: rows of the nameplate.

use sqlx::PgConnection;
use web::{board::Cell, site::Facts};

use crate::picture::Unit;

/// What the device behind one regulator told.
#[derive(Debug)]
pub(super) struct Device {
    regulator_id: i32,
    manufacturer: Option<String>,
    model: Option<String>,
    software_version: Option<String>,
    hardware_version: Option<String>,
    serial_number: Option<String>,
}

/// The devices of these regulators that have told anything.
pub(super) async fn of(connection: &mut PgConnection, regulators: &[i32]) -> sqlx::Result<Vec<Device>> {
    sqlx::query_as!(
        Device,
        "select r.id as regulator_id, d.manufacturer, d.model, d.software_version, d.hardware_version, d.serial_number
            from regulator r join device d using (endpoint_id, unit)
            where r.id = any($1)",
        regulators
    )
    .fetch_all(connection)
    .await
}

type Attribute = (&'static str, fn(&Device) -> Option<&str>);

const ATTRIBUTES: [Attribute; 5] = [
    ("Control made by", |d| d.manufacturer.as_deref()),
    ("Control model", |d| d.model.as_deref()),
    ("Control software", |d| d.software_version.as_deref()),
    ("Control hardware", |d| d.hardware_version.as_deref()),
    ("Control serial number", |d| d.serial_number.as_deref()),
];

/// A row for each attribute that at least one of them told.
pub(super) fn rows(units: &[&Unit], devices: &[Device]) -> Vec<Facts> {
    let told = |unit: &&Unit, read: fn(&Device) -> Option<&str>| {
        devices.iter().find(|d| d.regulator_id == unit.regulator.id).and_then(read)
    };
    ATTRIBUTES
        .into_iter()
        .filter(|(_, read)| units.iter().any(|unit| told(unit, *read).is_some()))
        .map(|(name, read)| Facts {
            name,
            cells: units
                .iter()
                .map(|unit| {
                    told(unit, read).map_or_else(|| Cell::missing("not told"), |t| Cell::good(t.to_owned()))
                })
                .collect(),
        })
        .collect()
}
