//! Made-up fleets of any size, for tests and benches.

use chrono::TimeDelta;
use regulator::{Connection, Nameplate, Phase, Quantity, Reading, Timestamp};

use super::Fleet;
use crate::{
    feed::BatchReading,
    inventory::{Inventory, Named, Regulator},
};

/// A fleet of `count` regulators, three to a site, ten sites to a feeder, four feeders to a substation, each with a reading.
/// Some are out of order: one in twenty is stale, one in thirty not in automatic, one in fifty without a usable voltage.
#[must_use]
pub fn fleet(count: i32, now: Timestamp) -> Fleet {
    let mut inventory = Inventory { version: 1, ..Inventory::default() };
    inventory.regulators = (0..count).map(|n| (n, regulator(n))).collect();
    let mut fleet = Fleet::of(&inventory, now);
    fleet.take(readings(count, now));
    fleet
}

/// One reading of each.
pub fn readings(count: i32, now: Timestamp) -> impl Iterator<Item = BatchReading> {
    (0..count).map(move |n| BatchReading { regulator_id: n, reading: reading(n, now) })
}

fn regulator(n: i32) -> Regulator {
    let named = |id: i32, word: &str| Named { id, name: format!("{word} {}", id + 1) };
    Regulator {
        id: n,
        phase: [Phase::A, Phase::B, Phase::C][usize::try_from(n.rem_euclid(3)).unwrap_or(0)],
        nameplate: Nameplate::common(),
        bank: named(n / 3, "Bank"),
        connection: Connection::Wye,
        site: named(n / 3, "Pole"),
        fed_from: None,
        place: None,
        time_zone: "America/Chicago".to_owned(),
        feeder: named(n / 30, "Feeder"),
        substation: named(n / 120, "Substation"),
        endpoint_id: n / 3,
        unit: 1,
        position: 1,
        profile: "plain".to_owned(),
    }
}

fn reading(n: i32, now: Timestamp) -> Reading {
    let age = if n % 20 == 7 { TimeDelta::seconds(400) } else { TimeDelta::zero() };
    let x = f64::from(n % 37);
    let mut reading = Reading::new(now - age)
        .with(Quantity::Current, 40.0 + x)
        .with(Quantity::RealPower, 300.0 - 12.0 * x)
        .with(Quantity::Tap, x - 16.0)
        .with(Quantity::Operations, 4_000.0 + x)
        .with(Quantity::Automatic, f64::from(u8::from(n % 30 != 11)))
        .with(Quantity::SetVoltage, 122.0)
        .with(Quantity::Bandwidth, 2.0);
    if n % 50 != 13 {
        reading = reading.with(Quantity::LoadVoltage, 117.0 + x / 5.0);
    }
    reading
}
