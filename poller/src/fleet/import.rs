//! Brings the inventory to a fleet file, all rows or none.

use std::{
    collections::{HashMap, HashSet},
    fmt,
};

use sqlx::{Connection as _, PgConnection};

use super::{
    check::{Numbered, fits, numbered, phases_of},
    errors::{Faults, FleetErrors, ImportError},
    link, order,
    profiles::ProfileSet,
    row::{Key, Row},
    stored::{self, Stored},
};
use crate::endpoint::LinkSettings;

/// What to do with regulators that are in the inventory but not in the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Missing {
    /// Leave them as they are.
    Keep,
    /// Retire them: they are no longer polled, their history stays.
    Retire,
}

/// What an import did.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Summary {
    /// Regulators new to the inventory.
    pub added: usize,
    /// Regulators that were changed, or taken out of retirement.
    pub updated: usize,
    /// Regulators that are as the file says.
    pub unchanged: usize,
    /// Those in the inventory that the file does not name, left alone.
    pub missing: Vec<String>,
    /// Those that the file does not name, retired now.
    pub retired: Vec<String>,
}

impl fmt::Display for Summary {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} added, {} updated, {} unchanged", self.added, self.updated, self.unchanged)?;
        for name in &self.retired {
            write!(f, "\nretired: {name}")?;
        }
        for name in &self.missing {
            write!(f, "\nnot in the file, left as it is: {name}")?;
        }
        Ok(())
    }
}

/// Checks the file and brings the inventory to it, leaving alone what the file does not name. Regulators are matched by
/// substation, feeder, site, bank and phase.
///
/// # Errors
/// Every fault of the file, also where it contradicts what stays in the inventory; or that the database did not do as told.
/// Nothing has changed then.
pub async fn import(
    connection: &mut PgConnection,
    file: &str,
    csv: impl AsRef<[u8]>,
    profiles: &ProfileSet,
) -> Result<Summary, ImportError> {
    import_with(connection, file, csv, profiles, Missing::Keep).await
}

/// As [`import`], with a say in what becomes of regulators that the file does not name.
///
/// # Errors
/// As [`import`].
pub async fn import_with(
    connection: &mut PgConnection,
    file: &str,
    csv: impl AsRef<[u8]>,
    profiles: &ProfileSet,
    missing: Missing,
) -> Result<Summary, ImportError> {
    let rows = numbered(file, csv.as_ref(), profiles)?;
    let mut transaction = connection.begin().await?;
    // one import at a time
    sqlx::query!("select version from inventory_version for update").fetch_one(&mut *transaction).await?;
    let before = stored::load(&mut transaction).await?;
    let stays = staying(&rows, &before, missing);
    fits_the_rest(file, &rows, &stays, &before)?;
    let mut changed = store_profiles(&mut transaction, &rows, profiles).await?;
    let mut summary = Summary::default();
    let gone: Vec<&Stored> = leaving(&rows, &before).collect();
    let names = gone.iter().map(|s| s.row.title()).collect();
    if missing == Missing::Retire {
        retire(&mut transaction, &gone.iter().map(|s| s.id).collect::<Vec<_>>()).await?;
        summary.retired = names;
    } else {
        summary.missing = names;
    }
    let known: HashMap<Key<'_>, &Stored> = before.iter().map(|s| (s.row.key(), s)).collect();
    let mut work = Vec::new();
    for (_, row) in &rows {
        let modulus = modulus(profiles, row);
        match known.get(&row.key()) {
            None => summary.added += 1,
            Some(s) if s.row == *row && !s.retired && s.counter_modulus == modulus => {
                summary.unchanged += 1;
                continue;
            }
            Some(_) => summary.updated += 1,
        }
        work.push((row, known.get(&row.key()).map(|s| s.id), modulus));
    }
    // Two regulators may swap places: all that change leave theirs first.
    retire(&mut transaction, &work.iter().filter_map(|(_, id, _)| *id).collect::<Vec<_>>()).await?;
    let mut parents = Parents { connection: &mut transaction, known: HashMap::new() };
    for (row, id, modulus) in &work {
        parents.put(row, *id, *modulus).await?;
    }
    order::store(&mut transaction, &work.iter().map(|(row, ..)| *row).collect::<Vec<_>>()).await?;
    changed |= !work.is_empty() || !summary.retired.is_empty();
    if changed {
        sqlx::query!("update inventory_version set version = version + 1").execute(&mut *transaction).await?;
    }
    transaction.commit().await?;
    Ok(summary)
}

/// Regulators in use that the file does not name.
fn leaving<'a>(rows: &[Numbered], before: &'a [Stored]) -> impl Iterator<Item = &'a Stored> {
    let named: HashSet<Key<'_>> = rows.iter().map(|(_, row)| row.key()).collect();
    before.iter().filter(|s| !s.retired && !named.contains(&s.row.key())).collect::<Vec<_>>().into_iter()
}

fn staying<'a>(rows: &[Numbered], before: &'a [Stored], missing: Missing) -> Vec<&'a Stored> {
    leaving(rows, before).filter(|_| missing == Missing::Keep).collect()
}

/// The faults of the file in the light of the regulators that stay beside it.
fn fits_the_rest(
    file: &str,
    rows: &[Numbered],
    stays: &[&Stored],
    before: &[Stored],
) -> Result<(), FleetErrors> {
    let mut faults = Faults::default();
    order::all_known(rows, before, &mut faults);
    let remedy = "name that one in the file too, or retire what the file does not name with --retire-missing";
    let places: HashMap<_, _> = stays.iter().map(|s| (place(&s.row), s)).collect();
    let controls: HashMap<_, _> = stays.iter().map(|s| (control(&s.row), s)).collect();
    let masters: HashMap<_, _> = stays.iter().map(|s| (s.row.endpoint.as_str(), s)).collect();
    for (number, row) in rows {
        if let Some(other) = places.get(&place(row)) {
            let what = format!("{} is at this endpoint, unit and position already", other.row.title());
            faults.at(*number, "position", what, remedy);
        } else if let Some(other) =
            controls.get(&control(row)).filter(|o| spoken_to(&o.row) != spoken_to(row))
        {
            let what = format!(
                "{}, of the same unit, has another profile, interval or setting of DNP3",
                other.row.title()
            );
            faults.at(*number, "profile", what, remedy);
        } else if let Some(other) =
            masters.get(row.endpoint.as_str()).filter(|o| o.row.link.master != row.link.master)
        {
            let what = format!(
                "{}, at the same endpoint, is asked by master {}",
                other.row.title(),
                other.row.link.master
            );
            faults.at(*number, "master_address", what, remedy);
        }
    }
    for other in stays {
        let bank =
            |row: &Row| (row.substation.clone(), row.feeder.clone(), row.site.clone(), row.bank.clone());
        let same = rows.iter().find(|(_, row)| bank(row) == bank(&other.row));
        if let Some((number, row)) = same.filter(|(_, row)| !fits(row.connection, other.row.phase)) {
            let what = format!("{} does not fit in a {} bank", other.row.title(), row.connection.title());
            faults.at(*number, "connection", what, format!("{}, or {remedy}", phases_of(row.connection)));
        }
    }
    faults.or(file, ())
}

/// What all regulators of a control have in common.
fn spoken_to(row: &Row) -> (&str, i32, &LinkSettings) {
    (&row.profile, row.poll_interval_ms, &row.link)
}

fn place(row: &Row) -> (&str, u16, u8) {
    (&row.endpoint, row.unit, row.position)
}

fn control(row: &Row) -> (&str, u16) {
    (&row.endpoint, row.unit)
}

fn modulus(profiles: &ProfileSet, row: &Row) -> i64 {
    let profile = profiles.get(&row.profile);
    let modulus = profile.and_then(|p| p.counter_modulus(row.position)).unwrap_or(1 << 32);
    i64::try_from(modulus).unwrap_or(i64::MAX)
}

/// Stores the source of every profile that the rows name; whether one of them is new or changed.
async fn store_profiles(
    connection: &mut PgConnection,
    rows: &[Numbered],
    profiles: &ProfileSet,
) -> sqlx::Result<bool> {
    let names: HashSet<&str> = rows.iter().map(|(_, row)| row.profile.as_str()).collect();
    let mut changed = false;
    for name in names {
        let done = sqlx::query!(
            "insert into profile (name, source) values ($1, $2)
             on conflict (name) do update set source = excluded.source, imported_at = now()
             where profile.source <> excluded.source",
            name,
            profiles.source(name).unwrap_or_default()
        )
        .execute(&mut *connection)
        .await?;
        changed |= done.rows_affected() > 0;
    }
    Ok(changed)
}

async fn retire(connection: &mut PgConnection, ids: &[i32]) -> sqlx::Result<()> {
    sqlx::query!("update regulator set retired_at = now() where id = any($1)", ids)
        .execute(connection)
        .await?;
    Ok(())
}

/// Writes regulators, making what they stand under on the way.
struct Parents<'a> {
    connection: &'a mut PgConnection,
    /// Ids of banks (by their four names) and endpoints.
    known: HashMap<Vec<String>, i32>,
}

impl Parents<'_> {
    async fn put(&mut self, row: &Row, id: Option<i32>, modulus: i64) -> sqlx::Result<()> {
        let bank = self.bank(row).await?;
        let endpoint = self.endpoint(row).await?;
        let (unit, position) = (i32::from(row.unit), i32::from(row.position));
        let link = link::Columns::of(&row.link);
        sqlx::query!(
            "with known as (
                 update regulator set kva = $4, rated_current_a = $5, rated_voltage_v = $6, pt_ratio = $7, ct_ratio = $8,
                     voltage_base_v = $9, step_count = $10, tap_min = $11, tap_max = $12, winding_type = $13,
                     endpoint_id = $14, unit = $15, position = $16, profile = $17, poll_interval_ms = $18,
                     counter_modulus = $19, master_address = $20, integrity_interval_ms = $21, event_polls = $22,
                     unsolicited = $23, time_sync = $24, retired_at = null
                 where id = $1 returning id)
             insert into regulator (bank_id, phase, kva, rated_current_a, rated_voltage_v, pt_ratio, ct_ratio,
                 voltage_base_v, step_count, tap_min, tap_max, winding_type, endpoint_id, unit, position, profile,
                 poll_interval_ms, counter_modulus, master_address, integrity_interval_ms, event_polls, unsolicited, time_sync)
             select $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, $21, $22, $23, $24
             where not exists (select from known)",
            id,
            bank,
            row.phase.name(),
            row.kva,
            row.rated_current_a,
            row.rated_voltage_v,
            row.pt_ratio,
            row.ct_ratio,
            row.voltage_base_v,
            row.step_count,
            row.tap_min,
            row.tap_max,
            row.winding_type.name(),
            endpoint,
            unit,
            position,
            row.profile,
            row.poll_interval_ms,
            modulus,
            link.master_address,
            link.integrity_interval_ms,
            link.event_polls,
            link.unsolicited,
            link.time_sync
        )
        .execute(&mut *self.connection)
        .await?;
        Ok(())
    }

    async fn endpoint(&mut self, row: &Row) -> sqlx::Result<i32> {
        let key = vec![row.endpoint.clone()];
        if let Some(id) = self.known.get(&key) {
            return Ok(*id);
        }
        let id = sqlx::query_scalar!(
            "insert into endpoint (address) values ($1)
             on conflict (address) do update set address = excluded.address returning id",
            row.endpoint
        )
        .fetch_one(&mut *self.connection)
        .await?;
        self.known.insert(key, id);
        Ok(id)
    }

    async fn bank(&mut self, row: &Row) -> sqlx::Result<i32> {
        let key = vec![row.substation.clone(), row.feeder.clone(), row.site.clone(), row.bank.clone()];
        if let Some(id) = self.known.get(&key) {
            return Ok(*id);
        }
        let substation = sqlx::query_scalar!(
            "insert into substation (name) values ($1) on conflict (name) do update set name = excluded.name returning id",
            row.substation
        )
        .fetch_one(&mut *self.connection)
        .await?;
        let feeder = sqlx::query_scalar!(
            "insert into feeder (substation_id, name) values ($1, $2)
             on conflict (substation_id, name) do update set name = excluded.name returning id",
            substation,
            row.feeder
        )
        .fetch_one(&mut *self.connection)
        .await?;
        let site = sqlx::query_scalar!(
            "insert into site (feeder_id, name, latitude, longitude, time_zone) values ($1, $2, $3, $4, $5)
             on conflict (feeder_id, name) do update
                 set latitude = excluded.latitude, longitude = excluded.longitude, time_zone = excluded.time_zone
             returning id",
            feeder,
            row.site,
            row.place.map(|p| p.0),
            row.place.map(|p| p.1),
            row.time_zone
        )
        .fetch_one(&mut *self.connection)
        .await?;
        let bank = sqlx::query_scalar!(
            "insert into bank (site_id, name, connection) values ($1, $2, $3)
             on conflict (site_id, name) do update set connection = excluded.connection returning id",
            site,
            row.bank,
            row.connection.name()
        )
        .fetch_one(&mut *self.connection)
        .await?;
        self.known.insert(key, bank);
        Ok(bank)
    }
}
