//! The regulators as they are now.

use regulator::{
    Connection, Nameplate, Phase, Quantity, Reading, Timestamp,
    balance::{Basis, Spread, Unbalance, unbalance_of_bank},
    flow::direction::{self, Direction},
    harmonics,
    taps::rating,
};
use web::{
    board::{Cell, number, reason},
    feeder::{Site, Unit as Shown},
};

use crate::{pages::trend, picture::Unit};

/// Sites in the order of the units.
pub(super) fn sites(units: &[Unit], now: Timestamp) -> Vec<Site> {
    let name_of =
        |id: i32| units.iter().find(|u| u.regulator.site.id == id).map(|u| u.regulator.site.name.as_str());
    units
        .chunk_by(|a, b| a.regulator.site.id == b.regulator.site.id)
        .map(|at_site| {
            let r = &at_site[0].regulator;
            let fed_from = match r.fed_from.map(name_of) {
                None => "fed from the substation".to_owned(),
                Some(Some(name)) => format!("fed from {name}"),
                Some(None) => "fed from a site that is not on this feeder".to_owned(),
            };
            let of_bank = at_site.chunk_by(|a, b| a.regulator.bank.id == b.regulator.bank.id);
            Site {
                id: r.site.id,
                name: r.site.name.clone(),
                fed_from,
                banks: of_bank.filter(|b| b.len() > 1).map(|b| bank(b, now)).collect(),
                units: at_site.iter().map(|u| unit(u, now)).collect(),
            }
        })
        .collect()
}

/// Good values of a bank's regulators that are not old.
fn values(bank: &[Unit], quantity: Quantity, now: Timestamp) -> Vec<(Phase, f64)> {
    let value =
        |u: &Unit| Some((u.regulator.phase, u.latest.as_ref().filter(|_| !u.is_old(now))?.good(quantity)?));
    bank.iter().filter_map(value).collect()
}

/// Tap spread and unbalance in words.
fn bank(bank: &[Unit], now: Timestamp) -> String {
    let r = &bank[0].regulator;
    let taps = values(bank, Quantity::Tap, now);
    let spread = match Spread::of(&taps).filter(|_| taps.len() == bank.len()) {
        Some(spread) => format!("tap spread {:.0}", spread.taps()),
        None => "tap spread cannot be told: a tap is missing or old".to_owned(),
    };
    // Per unit of each control's own base, so that they compare.
    let volts: Vec<_> = values(bank, Quantity::LoadVoltage, now)
        .into_iter()
        .filter_map(|(phase, volts)| {
            let plate = &bank.iter().find(|u| u.regulator.phase == phase)?.regulator.nameplate;
            Some((phase, volts / plate.voltage_base_v))
        })
        .collect();
    format!(
        "{}, {}: {spread}; {}",
        r.bank.name,
        r.connection.title(),
        unbalance(r.connection, &volts, bank.len())
    )
}

fn unbalance(connection: Connection, volts: &[(Phase, f64)], of: usize) -> String {
    if volts.len() < of {
        return "voltage unbalance cannot be told: a voltage is missing or old".to_owned();
    }
    match unbalance_of_bank(connection, volts) {
        Ok(Unbalance { mg1_percent, range_percent: (low, high), basis, .. }) => {
            let range = match basis {
                Basis::LineToLine => String::new(),
                Basis::EstimatedFromLineToNeutral => format!(" ({low:.1} to {high:.1} % by the angles)"),
            };
            format!("voltage unbalance {mg1_percent:.1} % by MG 1{range}, {}", basis.words())
        }
        Err(why) => format!("voltage unbalance cannot be told: {why}"),
    }
}

fn unit(unit: &Unit, now: Timestamp) -> Shown {
    let nothing = Reading::new(now);
    let latest = unit.latest.as_ref().unwrap_or(&nothing);
    let plate = &unit.regulator.nameplate;
    let old = unit.is_old(now);
    let dated = |mut cell: Cell| {
        if old {
            cell.outdate();
        }
        cell
    };
    Shown {
        id: unit.regulator.id,
        name: trend::name(unit),
        settings: vec![
            dated(Cell::of(latest, Quantity::SetVoltage, 1)),
            dated(Cell::of(latest, Quantity::Bandwidth, 1)),
            dated(Cell::of(latest, Quantity::TimeDelay, 0)),
            dated(compensator(latest)),
        ],
        flow: dated(flow(plate, latest)),
        tap: dated(Cell::tap(latest)),
        load: dated(load(plate, latest)),
        distortion: [dated(voltage_distortion(unit, latest)), dated(current_distortion(latest))],
        old,
    }
}

fn compensator(latest: &Reading) -> Cell {
    match (latest.good(Quantity::LdcResistance), latest.good(Quantity::LdcReactance)) {
        (Some(r), Some(x)) if r == 0.0 && x == 0.0 => Cell::good("off (0 V)".to_owned()),
        (Some(r), Some(x)) => Cell::good(format!("R {}, X {}", number(r, 1, "V"), number(x, 1, "V"))),
        _ => Cell::missing(reason(latest.quality(Quantity::LdcResistance))),
    }
}

fn flow(plate: &Nameplate, latest: &Reading) -> Cell {
    let said = match latest.flag(Quantity::ReverseFlow) {
        Some(true) => "; the control reports reverse flow",
        Some(false) => "; no reverse flow reported",
        None => "",
    };
    match direction::of(plate, latest) {
        Direction::Forward { .. } => Cell::good(format!("→ forward{said}")),
        Direction::Reverse { .. } => Cell::good(format!("← reverse{said}")),
        Direction::Unknown(why) => Cell::good(format!("cannot tell: {}{said}", why.words())),
    }
}

fn load(plate: &Nameplate, latest: &Reading) -> Cell {
    let Some(amperes) = latest.good(Quantity::Current) else {
        return Cell::missing(reason(latest.quality(Quantity::Current)));
    };
    let permitted = rating::permitted_current_a(plate);
    let share = 100.0 * amperes.abs() / permitted;
    Cell::good(format!(
        "{} of {}, {}",
        number(amperes, 0, ""),
        number(permitted, 0, "A"),
        number(share, 0, "%")
    ))
}

fn voltage_distortion(unit: &Unit, latest: &Reading) -> Cell {
    let percent = latest.good(Quantity::VoltageDistortion);
    if percent.is_none() {
        return Cell::missing(reason(latest.quality(Quantity::VoltageDistortion)));
    }
    let rated_kv = unit.regulator.nameplate.rated_voltage_v / 1000.0;
    // The limit is by line-to-line voltage; a wye bank's units are rated line to neutral.
    let line_kv =
        if unit.regulator.connection == Connection::Wye { rated_kv * 3_f64.sqrt() } else { rated_kv };
    Cell::good(harmonics::judge_voltage(percent, line_kv).words())
}

fn current_distortion(latest: &Reading) -> Cell {
    latest.good(Quantity::CurrentDistortion).map_or_else(
        || Cell::missing(reason(latest.quality(Quantity::CurrentDistortion))),
        |percent| {
            Cell::good(format!(
                "{}, not held against IEEE 519: short-circuit current and maximum demand are not known",
                number(percent, 1, "%")
            ))
        },
    )
}
