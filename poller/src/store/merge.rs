//! The slow path of a batch that holds readings already stored: what is new is added, what is there is merged.

use std::collections::HashSet;

use chrono::{DateTime, Utc};
use regulator::Reading;
use sqlx::PgConnection;

use super::{
    copy::CopyBuffer,
    entry::{Entry, Held},
    row::{self, COPY_READING, ROW_BYTES, Row},
    writer::copy_in,
};

/// Every column but the key.
const VALUES: &str = "load_voltage, source_voltage, current, real_power, reactive_power, power_factor, tap, operations, \
     automatic, blocked, at_neutral, reverse_flow, set_voltage, bandwidth, time_delay, ldc_resistance, ldc_reactance, \
     voltage_distortion, current_distortion, tap_in_progress, quality, time_source, age";

/// Makes the table that [`write`] works with; once a connection, outside a transaction.
pub(super) async fn make_staging(connection: &mut PgConnection) -> sqlx::Result<()> {
    sqlx::query("create temp table reading_staging (like reading) on commit delete rows")
        .execute(connection)
        .await?;
    Ok(())
}

/// Writes the entries (sorted by key, one a key) and returns the keys of those that were added or changed.
pub(super) async fn write(
    connection: &mut PgConnection,
    entries: &[Entry<'_>],
) -> sqlx::Result<Vec<(i32, DateTime<Utc>)>> {
    let staging = COPY_READING.replacen("reading", "reading_staging", 1);
    copy_in(connection, &staging, entries).await?;
    // In the order of the key, as the look-up below, so that two pollers cannot wait for each other in a circle.
    let insert = format!(
        "insert into reading (regulator_id, measured_at, {VALUES}) select regulator_id, measured_at, {VALUES} \
         from reading_staging order by regulator_id, measured_at \
         on conflict (regulator_id, measured_at) do nothing returning regulator_id, measured_at"
    );
    let added: Vec<(i32, DateTime<Utc>)> =
        sqlx::query_as(sqlx::AssertSqlSafe(insert)).fetch_all(&mut *connection).await?;
    let is_new: HashSet<(i32, i64)> = added.iter().map(|(id, at)| (*id, at.timestamp_micros())).collect();
    let there: Vec<&Entry<'_>> =
        entries.iter().filter(|e| !is_new.contains(&(e.regulator_id, e.at_us))).collect();
    let stored = lock(connection, &there).await?;
    let (mut apart, changed) = changes(&there, &stored);
    if !changed.is_empty() {
        sqlx::query("delete from reading_staging").execute(&mut *connection).await?;
        copy_in(connection, &staging, &changed).await?;
        let source = VALUES.split(", ").map(|c| format!("s.{c}")).collect::<Vec<_>>().join(", ");
        let update = format!(
            "update reading r set ({VALUES}) = row ({source}) from reading_staging s \
             where r.regulator_id = s.regulator_id and r.measured_at = s.measured_at"
        );
        sqlx::query(sqlx::AssertSqlSafe(update)).execute(&mut *connection).await?;
    }
    let mut keys = added;
    keys.extend(changed.iter().map(|e| (e.regulator_id, e.reading.measured_at)));
    if !apart.is_empty() {
        // each goes on until it finds a place of its own, or itself
        apart.iter_mut().for_each(Entry::step_aside);
        sqlx::query("delete from reading_staging").execute(&mut *connection).await?;
        keys.extend(Box::pin(write(connection, &apart)).await?);
    }
    Ok(keys)
}

/// Reads and locks the stored rows of these keys.
async fn lock(connection: &mut PgConnection, entries: &[&Entry<'_>]) -> sqlx::Result<Vec<Row>> {
    let (ids, times): (Vec<i32>, Vec<DateTime<Utc>>) =
        entries.iter().map(|e| (e.regulator_id, e.reading.measured_at)).unzip();
    sqlx::query_as!(
        Row,
        "select r.* from reading r
         join unnest($1::int[], $2::timestamptz[]) as k (regulator_id, measured_at)
           on r.regulator_id = k.regulator_id and r.measured_at = k.measured_at
         where r.measured_at >= (select min(t) from unnest($2::timestamptz[]) t)
           and r.measured_at <= (select max(t) from unnest($2::timestamptz[]) t)
         order by r.regulator_id, r.measured_at
         for update of r",
        &ids,
        &times
    )
    .fetch_all(connection)
    .await
}

/// The entries that contradict what is stored, and so are events of their own; and those that differ from it, merged with it.
fn changes<'a>(entries: &[&Entry<'_>], stored: &[Row]) -> (Vec<Entry<'a>>, Vec<Entry<'a>>) {
    let mut rows = stored.iter().peekable();
    let (mut apart, mut changed) = (Vec::new(), Vec::new());
    for entry in entries {
        let key = (entry.regulator_id, entry.at_us);
        let of = |row: &Row| (row.regulator_id, row.measured_at.timestamp_micros());
        while rows.next_if(|row| of(row) < key).is_some() {}
        let Some(row) = rows.next_if(|row| of(row) == key) else { continue };
        let before = row.reading();
        if before.contradicts(&entry.reading) && entry.may_step_aside() {
            apart.push(Entry {
                regulator_id: row.regulator_id,
                at_us: entry.at_us,
                reading: Held::Merged(Box::new((*entry.reading).clone())),
            });
            continue;
        }
        let mut merged = before.clone();
        merged.merge(&entry.reading);
        if as_stored(row.regulator_id, &before) != as_stored(row.regulator_id, &merged) {
            changed.push(Entry {
                regulator_id: row.regulator_id,
                at_us: entry.at_us,
                reading: Held::Merged(Box::new(merged)),
            });
        }
    }
    (apart, changed)
}

/// Readings are compared as the table would hold them: its floats are shorter than ours.
fn as_stored(regulator_id: i32, reading: &Reading) -> Vec<u8> {
    let mut bytes = CopyBuffer::with_capacity(ROW_BYTES);
    row::encode(&mut bytes, regulator_id, reading);
    bytes.finish()
}
