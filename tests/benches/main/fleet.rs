//! A plain fleet in a database, and plausible readings of it.

use anyhow::Result;
use chrono::{DateTime, TimeDelta, Utc};
use regulator::{Quantity, Reading};
use sqlx::PgConnection;

/// Regulators that the promises speak of.
pub(crate) const REGULATORS: u32 = 2_000;

/// Puts `count` regulators into the inventory and returns their ids.
pub(crate) async fn create(db: &mut PgConnection, count: u32) -> Result<Vec<i32>> {
    sqlx::raw_sql(
        "insert into profile (name, source) values ('bench', '') on conflict do nothing;
         insert into substation (name) select 'Station ' || n from generate_series(1, 10) n;
         insert into feeder (substation_id, name) select s.id, 'Feeder ' || n from substation s, generate_series(1, 7) n;",
    )
    .execute(&mut *db)
    .await?;
    sqlx::query(
        "with f as (select id, row_number() over (order by id) - 1 as k from feeder), n as (select generate_series(0, ($1 - 1) / 3) as i)
         insert into site (feeder_id, name, time_zone)
         select f.id, 'Site ' || to_char(n.i, 'FM0000'), 'America/Denver' from n join f on f.k = n.i % (select count(*) from f)",
    )
    .bind(i32::try_from(count)?)
    .execute(&mut *db)
    .await?;
    sqlx::raw_sql(
        "insert into bank (site_id, name, connection) select id, 'Bank', 'wye' from site;
         insert into endpoint (address) select 'modbus-tcp://127.0.0.1:' || (1024 + id % 60000) || '/' || id from bank;",
    )
    .execute(&mut *db)
    .await?;
    let ids = sqlx::query_scalar(
        "insert into regulator (bank_id, phase, kva, rated_current_a, rated_voltage_v, pt_ratio, ct_ratio, endpoint_id, unit, profile)
         select b.id, p.phase, 167, 219, 7620, 63.5, 1250, e.id, p.unit, 'bench'
         from bank b join endpoint e on e.address like '%/' || b.id, (values ('A', 1), ('B', 2), ('C', 3)) p (phase, unit)
         order by b.id, p.phase limit $1 returning id",
    )
    .bind(i32::try_from(count)?)
    .fetch_all(db)
    .await?;
    Ok(ids)
}

/// Readings of every regulator, one at each of `count` instants, `step` apart from `start`; in order of time.
pub(crate) fn readings(
    ids: &[i32],
    start: DateTime<Utc>,
    step: TimeDelta,
    count: i32,
) -> Vec<(i32, Reading)> {
    (0..count).flat_map(|k| ids.iter().map(move |id| (*id, reading(*id, start + step * k, k)))).collect()
}

/// One plausible reading: healthy, with some movement in every value.
pub(crate) fn reading(id: i32, at: DateTime<Utc>, k: i32) -> Reading {
    let wave = f64::from((id * 7 + k * 13).rem_euclid(100)) / 100.0;
    #[allow(clippy::cast_possible_truncation, reason = "as a device's single-precision float has it")]
    let single = |x: f64| f64::from(x as f32);
    Reading::new(at)
        .with(Quantity::LoadVoltage, single(119.5 + wave))
        .with(Quantity::SourceVoltage, single(118.0 + wave))
        .with(Quantity::Current, single(80.0 + 20.0 * wave))
        .with(Quantity::RealPower, single(550.0 + 100.0 * wave))
        .with(Quantity::ReactivePower, single(120.0 + 10.0 * wave))
        .with(Quantity::PowerFactor, single(0.97))
        .with(Quantity::Tap, f64::from(3 + k / 360 % 3))
        .with(Quantity::Operations, f64::from(10_000 + k / 360))
        .with(Quantity::Automatic, 1.0)
        .with(Quantity::SetVoltage, 120.0)
        .with(Quantity::Bandwidth, 2.0)
        .with(Quantity::TimeDelay, 30.0)
}
