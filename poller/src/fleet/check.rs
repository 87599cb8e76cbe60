//! Whether the rows of a fleet file fit together.

use std::collections::{BTreeSet, HashMap};

use regulator::{Connection, Phase};

use super::{
    cell::RowReader,
    errors::{Faults, FleetErrors},
    link, order,
    profiles::ProfileSet,
    row::Row,
    table::Table,
};

const MASTER: &str = "master_address";

/// A row and its number in the file.
pub(super) type Numbered = (u64, Row);

/// Reads and checks a fleet file, without a database.
///
/// # Errors
/// Every fault of the file, each with its row, its column and what to do.
pub fn check(file: &str, csv: impl AsRef<[u8]>, profiles: &ProfileSet) -> Result<Vec<Row>, FleetErrors> {
    Ok(numbered(file, csv.as_ref(), profiles)?.into_iter().map(|(_, row)| row).collect())
}

pub(super) fn numbered(file: &str, csv: &[u8], profiles: &ProfileSet) -> Result<Vec<Numbered>, FleetErrors> {
    let mut faults = Faults::default();
    let mut rows = Vec::new();
    if let Some(table) = Table::read(csv, &mut faults) {
        for (row, cells) in table.rows() {
            let mut reader = RowReader { row, cells, faults: &mut faults };
            rows.extend(Row::read(&mut reader, profiles).map(|read| (row, read)));
        }
    }
    // rows with faults of their own are left out; those that remain can still contradict one another
    agree(&rows, &mut faults);
    faults.or(file, rows)
}

fn agree(rows: &[Numbered], faults: &mut Faults) {
    same_site(rows, faults);
    same_control(rows, faults);
    banks(rows, faults);
    one_place_each(rows, faults);
    order::no_loops(rows, faults);
}

/// Faults of the rows that share a key with an earlier one and differ from it.
fn first_decides<'a, K: Eq + std::hash::Hash, V: PartialEq>(
    rows: &'a [Numbered],
    key: impl Fn(&'a Row) -> K,
    value: impl Fn(&'a Row) -> V,
    mut differs: impl FnMut(u64, &'a Row, u64, &'a Row),
) {
    let mut first: HashMap<K, &'a Numbered> = HashMap::new();
    for numbered in rows {
        let (number, row) = numbered;
        let (first_number, decides) = first.entry(key(row)).or_insert(numbered);
        if value(row) != value(decides) {
            differs(*number, row, *first_number, decides);
        }
    }
}

fn same_site(rows: &[Numbered], faults: &mut Faults) {
    let site = |row: &Row| (row.substation.clone(), row.feeder.clone(), row.site.clone());
    let remedy = "a site has one place and one time zone: make the rows agree, or rename one of the sites";
    first_decides(
        rows,
        site,
        |row| row.time_zone.as_str(),
        |number, row, first, decides| {
            let what = format!(
                "site '{}' is in {} here and in {} in row {first}",
                row.site, row.time_zone, decides.time_zone
            );
            faults.at(number, "time_zone", what, remedy);
        },
    );
    first_decides(
        rows,
        site,
        |row| row.fed_from.as_str(),
        |number, row, first, decides| {
            let fed = |from: &str| {
                if from.is_empty() { "the substation".to_owned() } else { format!("'{from}'") }
            };
            let what = format!(
                "site '{}' is fed from {} here and from {} in row {first}",
                row.site,
                fed(&row.fed_from),
                fed(&decides.fed_from)
            );
            faults.at(number, "fed_from", what, "a site is fed from one place: make the rows agree");
        },
    );
    first_decides(
        rows,
        site,
        |row| row.place,
        |number, row, first, _| {
            faults.at(
                number,
                "latitude",
                format!("site '{}' lies elsewhere in row {first}", row.site),
                remedy,
            );
        },
    );
}

fn same_control(rows: &[Numbered], faults: &mut Faults) {
    let control = |row: &Row| (row.endpoint.clone(), row.unit);
    first_decides(
        rows,
        control,
        |row| row.profile.as_str(),
        |number, row, first, decides| {
            let what = format!(
                "the same unit has profile '{}' here and '{}' in row {first}",
                row.profile, decides.profile
            );
            faults.at(
                number,
                "profile",
                what,
                "one control has one profile: correct the unit or the profile",
            );
        },
    );
    first_decides(
        rows,
        control,
        |row| row.poll_interval_ms,
        |number, _, first, _| {
            let what = format!("the same unit has another interval in row {first}");
            faults.at(
                number,
                "poll_interval_s",
                what,
                "one control is polled at one interval: make the rows agree",
            );
        },
    );
    for (i, column) in link::COLUMNS.into_iter().enumerate().filter(|(_, column)| *column != MASTER) {
        first_decides(
            rows,
            control,
            |row| link::texts(&row.link)[i].clone(),
            |number, _, first, _| {
                let what = "the same unit has another setting in row";
                let remedy = "one control is spoken to in one way: make the rows agree";
                faults.at(number, column, format!("{what} {first}"), remedy);
            },
        );
    }
    // on one connection there is one master
    first_decides(
        rows,
        |row| row.endpoint.as_str(),
        |row| row.link.master,
        |number, row, first, decides| {
            let what = format!(
                "the same endpoint is asked by master {} here and {} in row {first}",
                row.link.master, decides.link.master
            );
            faults.at(number, MASTER, what, "an endpoint is asked by one master: make the rows agree");
        },
    );
}

fn banks(rows: &[Numbered], faults: &mut Faults) {
    let bank = |row: &Row| (row.substation.clone(), row.feeder.clone(), row.site.clone(), row.bank.clone());
    first_decides(
        rows,
        bank,
        |row| row.connection,
        |number, row, first, decides| {
            let what = format!(
                "the bank is {} here and {} in row {first}",
                row.connection.name(),
                decides.connection.name()
            );
            faults.at(number, "connection", what, "a bank has one connection: make the rows agree");
        },
    );
    let mut members: HashMap<_, Vec<&Numbered>> = HashMap::new();
    for numbered in rows {
        let (number, row) = numbered;
        if !fits(row.connection, row.phase) {
            let what = format!("phase {} is not one of a {} bank", row.phase.name(), row.connection.title());
            faults.at(*number, "phase", what, phases_of(row.connection));
        }
        let members = members.entry(bank(row)).or_default();
        if let Some((first, _)) = members.iter().find(|(_, other)| other.phase == row.phase) {
            let what = format!("the bank has phase {} in row {first} already", row.phase.name());
            faults.at(*number, "phase", what, "correct the phase, or give the other bank another name");
        }
        members.push(numbered);
        let most = if row.connection == Connection::OpenDelta { 2 } else { 3 };
        if members.len() > most {
            let what = format!("it is number {} of a {} bank", members.len(), row.connection.title());
            let remedy =
                format!("such a bank has at most {most} regulators: give the other bank another name");
            faults.at(*number, "bank", what, remedy);
        }
    }
}

/// Whether a bank so connected can have a regulator on this phase.
pub(super) const fn fits(connection: Connection, phase: Phase) -> bool {
    matches!(connection, Connection::Wye) == matches!(phase, Phase::A | Phase::B | Phase::C)
}

pub(super) const fn phases_of(connection: Connection) -> &'static str {
    match connection {
        Connection::Wye => "write A, B or C, or correct the connection",
        _ => "write AB, BC or CA, or correct the connection",
    }
}

fn one_place_each(rows: &[Numbered], faults: &mut Faults) {
    let mut taken: HashMap<(&str, u16, u8), u64> = HashMap::new();
    let mut keys = BTreeSet::new();
    for (number, row) in rows {
        let place = (row.endpoint.as_str(), row.unit, row.position);
        // a row that is there twice is told by its phase
        if keys.insert(row.key())
            && let Some(first) = taken.insert(place, *number)
        {
            let what = format!("the regulator of row {first} is at this endpoint, unit and position too");
            faults.at(*number, "position", what, "correct the endpoint, the unit or the position");
        }
    }
}
