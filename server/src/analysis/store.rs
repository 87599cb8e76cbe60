//! The analysis's tables: operations, days and lives.

use chrono::{NaiveDate, TimeDelta};
use regulator::{Timestamp, dwell::TapTime};
use sqlx::PgConnection;

use super::{
    fleet::Fleet,
    memory::{Memory, Told},
    unit::{Day, Life, Unit},
};
use crate::feed;
use regulator::causes::Watcher;

/// How much of the past a watcher is given again after a start.
const WARM_MINUTES: i32 = 45;
/// A regulator that was last seen so long before the others has nothing pending that matters.
const LONG_SILENT: TimeDelta = TimeDelta::days(7);

/// Everything that was stored, and the readings just before it. A state that does not read is left out with a warning.
pub(super) async fn load(connection: &mut PgConnection, fleet: &Fleet) -> anyhow::Result<Memory> {
    let mut memory = Memory::default();
    let lives = sqlx::query!("select * from service_life").fetch_all(&mut *connection).await?;
    for row in lives {
        let life = Life {
            seen_until: row.seen_until,
            settled_until: row.settled_until,
            first_seen_at: row.first_seen_at,
            first_counter: row.first_counter,
            moved_at: row.moved_at,
            neutral_at: row.neutral_at,
            wear: read(row.regulator_id, &row.wear),
            state: read(row.regulator_id, &row.state),
        };
        let unit = Unit { watcher: Watcher::with(life.state.learned), life: Some(life), ..Unit::default() };
        memory.units.insert(row.regulator_id, unit);
    }
    memory.fit(fleet);
    days(connection, fleet, &mut memory).await?;
    let seen: Vec<_> = memory.units.iter().filter_map(|(id, unit)| Some((*id, unit.seen_until()?))).collect();
    let newest = seen.iter().map(|(_, at)| *at).max().unwrap_or(Timestamp::MIN_UTC);
    let seen: Vec<_> = seen.into_iter().filter(|(_, at)| newest - *at < LONG_SILENT).collect();
    let readings = feed::up_to(connection, &seen, WARM_MINUTES).await?;
    memory.take_again(fleet, &readings);
    Ok(memory)
}

/// The day that each regulator was last seen on goes on.
async fn days(connection: &mut PgConnection, fleet: &Fleet, memory: &mut Memory) -> sqlx::Result<()> {
    let date = |(id, unit): (&i32, &Unit)| {
        let zone = fleet.regulators.get(id)?.zone;
        Some((*id, unit.seen_until()?.with_timezone(&zone).date_naive()))
    };
    let (ids, dates): (Vec<i32>, Vec<NaiveDate>) = memory.units.iter().filter_map(date).unzip();
    let rows = sqlx::query!(
        "select d.* from service_day d join unnest($1::integer[], $2::date[]) k(regulator_id, day) using (regulator_id, day)",
        &ids,
        &dates
    )
    .fetch_all(connection)
    .await?;
    for row in rows {
        let Some(unit) = memory.units.get_mut(&row.regulator_id) else { continue };
        unit.today = Some(Day {
            day: row.day,
            operations: row.operations.unsigned_abs(),
            taps: tap_time(row.tap_lowest, &row.tap_seconds, row.unknown_seconds),
            wear: read(row.regulator_id, &row.wear),
        });
    }
    Ok(())
}

/// Time at each tap from its stored form.
pub(crate) fn tap_time(lowest: i16, seconds: &[i32], unknown: i32) -> TapTime {
    let taps = (i32::from(lowest)..).zip(seconds).map(|(tap, s)| (tap, u64::from(s.unsigned_abs())));
    TapTime::of(taps, u64::from(unknown.unsigned_abs()))
}

fn read<T: serde::de::DeserializeOwned + Default>(regulator: i32, text: &str) -> T {
    serde_json::from_str(text).unwrap_or_else(|error| {
        tracing::warn!(regulator, %error, "what the analysis remembers of this does not read");
        T::default()
    })
}

/// Stores what has changed.
pub(super) async fn save(connection: &mut PgConnection, memory: &mut Memory) -> anyhow::Result<()> {
    let mut lives = Lives::default();
    let mut days = Days::default();
    for (id, unit) in memory.units.iter_mut().filter(|(_, unit)| unit.changed) {
        unit.changed = false;
        let learned = unit.watcher.learned();
        let Some(life) = unit.life.as_mut() else { continue };
        life.state.learned = learned;
        lives.push(*id, life)?;
        for day in unit.ended.drain(..).as_slice().iter().chain(&unit.today) {
            days.push(*id, day)?;
        }
    }
    lives.store(&mut *connection).await?;
    days.store(connection).await?;
    Ok(())
}

#[derive(Default)]
struct Lives {
    ids: Vec<i32>,
    seen_until: Vec<Timestamp>,
    settled_until: Vec<Timestamp>,
    first_seen_at: Vec<Timestamp>,
    first_counter: Vec<Option<i64>>,
    moved_at: Vec<Option<Timestamp>>,
    neutral_at: Vec<Option<Timestamp>>,
    wear: Vec<String>,
    state: Vec<String>,
}

impl Lives {
    fn push(&mut self, id: i32, life: &Life) -> serde_json::Result<()> {
        self.ids.push(id);
        self.seen_until.push(life.seen_until);
        self.settled_until.push(life.settled_until);
        self.first_seen_at.push(life.first_seen_at);
        self.first_counter.push(life.first_counter);
        self.moved_at.push(life.moved_at);
        self.neutral_at.push(life.neutral_at);
        self.wear.push(serde_json::to_string(&life.wear)?);
        self.state.push(serde_json::to_string(&life.state)?);
        Ok(())
    }

    async fn store(&self, connection: &mut PgConnection) -> sqlx::Result<()> {
        sqlx::query!(
            "insert into service_life (regulator_id, seen_until, settled_until, first_seen_at, first_counter, moved_at,
                    neutral_at, wear, state)
                select * from unnest($1::integer[], $2::timestamptz[], $3::timestamptz[], $4::timestamptz[], $5::bigint[],
                    $6::timestamptz[], $7::timestamptz[], $8::text[], $9::text[])
                on conflict (regulator_id) do update set seen_until = excluded.seen_until,
                    settled_until = excluded.settled_until, moved_at = excluded.moved_at, neutral_at = excluded.neutral_at,
                    wear = excluded.wear, state = excluded.state",
            &self.ids,
            &self.seen_until,
            &self.settled_until,
            &self.first_seen_at,
            &self.first_counter as _,
            &self.moved_at as _,
            &self.neutral_at as _,
            &self.wear,
            &self.state
        )
        .execute(connection)
        .await
        .map(drop)
    }
}

#[derive(Default)]
struct Days {
    ids: Vec<i32>,
    days: Vec<NaiveDate>,
    operations: Vec<i64>,
    lowest: Vec<i16>,
    /// Arrays of arrays must be even in Postgres, so each goes as text.
    seconds: Vec<String>,
    unknown: Vec<i32>,
    wear: Vec<String>,
}

impl Days {
    fn push(&mut self, id: i32, day: &Day) -> serde_json::Result<()> {
        let (lowest, seconds) = spread(&day.taps);
        self.ids.push(id);
        self.days.push(day.day);
        self.operations.push(i64::try_from(day.operations).unwrap_or(i64::MAX));
        self.lowest.push(lowest);
        self.seconds.push(format!("{{{seconds}}}"));
        self.unknown.push(i32::try_from(day.taps.unknown_s).unwrap_or(i32::MAX));
        self.wear.push(serde_json::to_string(&day.wear)?);
        Ok(())
    }

    async fn store(&self, connection: &mut PgConnection) -> sqlx::Result<()> {
        sqlx::query!(
            "insert into service_day (regulator_id, day, operations, tap_lowest, tap_seconds, unknown_seconds, wear)
                select regulator_id, day, operations, tap_lowest, tap_seconds::integer[], unknown_seconds, wear
                from unnest($1::integer[], $2::date[], $3::bigint[], $4::smallint[], $5::text[], $6::integer[], $7::text[])
                    d(regulator_id, day, operations, tap_lowest, tap_seconds, unknown_seconds, wear)
                on conflict (regulator_id, day) do update set operations = excluded.operations, tap_lowest = excluded.tap_lowest,
                    tap_seconds = excluded.tap_seconds, unknown_seconds = excluded.unknown_seconds, wear = excluded.wear",
            &self.ids,
            &self.days,
            &self.operations,
            &self.lowest,
            &self.seconds,
            &self.unknown,
            &self.wear
        )
        .execute(connection)
        .await
        .map(drop)
    }
}

/// The lowest tap held, and the seconds at each from there up.
fn spread(taps: &TapTime) -> (i16, String) {
    let lowest = taps.taps().next().map_or(0, |(tap, _)| tap);
    let highest = taps.taps().last().map_or(-1, |(tap, _)| tap);
    let seconds: Vec<String> = (lowest..=highest).map(|tap| taps.at(tap).to_string()).collect();
    (i16::try_from(lowest).unwrap_or(0), seconds.join(","))
}

/// Writes operations with their causes. One that is there already stays as it is.
pub(super) async fn operations(connection: &mut PgConnection, told: &[Told]) -> sqlx::Result<()> {
    #[allow(clippy::cast_possible_truncation, reason = "readings are stored so as well")]
    let real = |value: fn(&Told) -> Option<f64>| -> Vec<Option<f32>> {
        told.iter().map(|t| value(t).map(|v| v as f32)).collect()
    };
    let tap = |value: fn(&Told) -> Option<i32>| -> Vec<Option<i16>> {
        told.iter().map(|t| value(t).and_then(|tap| i16::try_from(tap).ok())).collect()
    };
    let all = |value: fn(&Told) -> Timestamp| -> Vec<Timestamp> { told.iter().map(value).collect() };
    #[allow(clippy::cast_possible_truncation, reason = "between 0 and 1")]
    let confidence: Vec<f32> = told.iter().map(|(_, a)| a.confidence.clamp(0.0, 1.0) as f32).collect();
    sqlx::query!(
        "insert into operation (regulator_id, at, since, operations, tap_from, tap_to, load_before, load_after, source_before,
                source_after, current, power_before, power_after, cause, confidence, undone, evidence)
            select * from unnest($1::integer[], $2::timestamptz[], $3::timestamptz[], $4::integer[], $5::smallint[], $6::smallint[],
                $7::real[], $8::real[], $9::real[], $10::real[], $11::real[], $12::real[], $13::real[], $14::smallint[],
                $15::real[], $16::boolean[], $17::text[])
            on conflict do nothing",
        &told.iter().map(|(id, _)| *id).collect::<Vec<_>>(),
        &all(|(_, a)| a.operation.at),
        &all(|(_, a)| a.operation.since),
        &told.iter().map(|(_, a)| i32::try_from(a.operation.count).unwrap_or(i32::MAX)).collect::<Vec<_>>(),
        &tap(|(_, a)| a.operation.from) as _,
        &tap(|(_, a)| a.operation.to) as _,
        &real(|(_, a)| a.operation.before.load_voltage_v) as _,
        &real(|(_, a)| a.operation.after.load_voltage_v) as _,
        &real(|(_, a)| a.operation.before.source_voltage_v) as _,
        &real(|(_, a)| a.operation.after.source_voltage_v) as _,
        &real(|(_, a)| a.operation.after.current_a.or(a.operation.before.current_a)) as _,
        &real(|(_, a)| a.operation.before.real_power_kw) as _,
        &real(|(_, a)| a.operation.after.real_power_kw) as _,
        &told.iter().map(|(_, a)| a.cause as i16).collect::<Vec<_>>(),
        &confidence,
        &told.iter().map(|(_, a)| a.undone_after_s.is_some()).collect::<Vec<_>>(),
        &told.iter().map(|(_, a)| a.because.clone()).collect::<Vec<_>>()
    )
    .execute(connection)
    .await
    .map(drop)
}

/// The last batch taken; locked until the transaction ends.
pub(super) async fn lock_cursor(connection: &mut PgConnection, follower: &str) -> sqlx::Result<i64> {
    sqlx::query!(
        "insert into feed_cursor (follower, batch_id) values ($1, 0) on conflict do nothing",
        follower
    )
    .execute(&mut *connection)
    .await?;
    sqlx::query_scalar!("select batch_id from feed_cursor where follower = $1 for update", follower)
        .fetch_one(connection)
        .await
}

pub(super) async fn move_cursor(connection: &mut PgConnection, follower: &str, to: i64) -> sqlx::Result<()> {
    sqlx::query!("update feed_cursor set batch_id = $2, moved_at = now() where follower = $1", follower, to)
        .execute(connection)
        .await
        .map(drop)
}
