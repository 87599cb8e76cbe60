//! The rollup tables: reading spans back and writing them.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;

use super::bucket::{Bucket, Counter, Measure, Sample, Taps};
use crate::store::copy::CopyBuffer;

/// The columns of every rollup table, in the order of [`encode`].
const COLUMNS: &str = "regulator_id, bucket, readings, \
    load_voltage_n, load_voltage_min, load_voltage_max, load_voltage_sum, \
    source_voltage_n, source_voltage_min, source_voltage_max, source_voltage_sum, \
    current_n, current_min, current_max, current_sum, \
    real_power_n, real_power_min, real_power_max, real_power_sum, \
    reactive_power_n, reactive_power_min, reactive_power_max, reactive_power_sum, \
    tap_min, tap_max, tap_first, tap_last, \
    counter_first, counter_first_at, counter_last, counter_last_at, operations";
const COLUMN_COUNT: i16 = 32;
/// About what one encoded row takes, bytes.
const ROW_BYTES: usize = 310;

/// One of the tables.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Table {
    Minute,
    Hour,
    Day,
}

impl Table {
    const fn name(self) -> &'static str {
        match self {
            Self::Minute => "rollup_minute",
            Self::Hour => "rollup_hour",
            Self::Day => "rollup_day",
        }
    }
}

/// A piece of one regulator's time: from `from` until just before `past`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Stretch {
    pub(super) regulator_id: i32,
    pub(super) from: DateTime<Utc>,
    pub(super) past: DateTime<Utc>,
}

/// The stretches as columns, and the whole time that they cover, by which partitions are left out early.
struct Columns {
    regulators: Vec<i32>,
    from: Vec<DateTime<Utc>>,
    past: Vec<DateTime<Utc>>,
    first: DateTime<Utc>,
    last: DateTime<Utc>,
}

impl Columns {
    fn of(stretches: &[Stretch]) -> Option<Self> {
        Some(Self {
            regulators: stretches.iter().map(|s| s.regulator_id).collect(),
            from: stretches.iter().map(|s| s.from).collect(),
            past: stretches.iter().map(|s| s.past).collect(),
            first: stretches.iter().map(|s| s.from).min()?,
            last: stretches.iter().map(|s| s.past).max()?,
        })
    }
}

/// Tells the planner what it cannot know of partitions that are minutes old: look keys up by index.
pub(super) async fn prepare(connection: &mut PgConnection) -> sqlx::Result<()> {
    sqlx::raw_sql(
        "set plan_cache_mode = force_custom_plan; set jit = off; set enable_seqscan = off; set enable_hashjoin = off; \
         set enable_mergejoin = off; \
         create temp table rollup_staging (like rollup_minute) on commit delete rows",
    )
    .execute(connection)
    .await?;
    Ok(())
}

/// The readings of these stretches, by regulator and time.
pub(super) async fn samples(
    connection: &mut PgConnection,
    stretches: &[Stretch],
) -> sqlx::Result<Vec<Sample>> {
    let Some(c) = Columns::of(stretches) else { return Ok(Vec::new()) };
    let mut samples = sqlx::query_as!(
        Sample,
        "select r.regulator_id, r.measured_at, r.load_voltage, r.source_voltage, r.current, r.real_power,
                r.reactive_power, r.tap, r.operations, r.quality
         from unnest($1::int[], $2::timestamptz[], $3::timestamptz[]) k (regulator_id, first, past)
         join reading r on r.regulator_id = k.regulator_id and r.measured_at >= k.first and r.measured_at < k.past
         where r.measured_at >= $4 and r.measured_at < $5",
        &c.regulators,
        &c.from,
        &c.past,
        c.first,
        c.last
    )
    .fetch_all(connection)
    .await?;
    samples.sort_by_key(|s| (s.regulator_id, s.measured_at));
    Ok(samples)
}

/// One row of a rollup table.
#[derive(Debug)]
struct Row {
    regulator_id: i32,
    bucket: DateTime<Utc>,
    readings: i32,
    load_voltage_n: i32,
    load_voltage_min: Option<f32>,
    load_voltage_max: Option<f32>,
    load_voltage_sum: Option<f64>,
    source_voltage_n: i32,
    source_voltage_min: Option<f32>,
    source_voltage_max: Option<f32>,
    source_voltage_sum: Option<f64>,
    current_n: i32,
    current_min: Option<f32>,
    current_max: Option<f32>,
    current_sum: Option<f64>,
    real_power_n: i32,
    real_power_min: Option<f32>,
    real_power_max: Option<f32>,
    real_power_sum: Option<f64>,
    reactive_power_n: i32,
    reactive_power_min: Option<f32>,
    reactive_power_max: Option<f32>,
    reactive_power_sum: Option<f64>,
    tap_min: Option<i32>,
    tap_max: Option<i32>,
    tap_first: Option<i32>,
    tap_last: Option<i32>,
    counter_first: Option<i64>,
    counter_first_at: Option<DateTime<Utc>>,
    counter_last: Option<i64>,
    counter_last_at: Option<DateTime<Utc>>,
    operations: i64,
}

macro_rules! stored_in {
    ($table:literal, $connection:expr, $c:expr) => {
        sqlx::query_as!(
            Row,
            "select b.* from unnest($1::int[], $2::timestamptz[], $3::timestamptz[]) k (regulator_id, first, past)
             join " + $table + " b on b.regulator_id = k.regulator_id and b.bucket >= k.first and b.bucket < k.past
             where b.bucket >= $4 and b.bucket < $5",
            &$c.regulators,
            &$c.from,
            &$c.past,
            $c.first,
            $c.last
        )
        .fetch_all($connection)
        .await?
    };
}

/// The spans of these stretches that are stored, with their regulators, by regulator and time. Days are never asked for.
pub(super) async fn stored(
    connection: &mut PgConnection,
    table: Table,
    stretches: &[Stretch],
) -> sqlx::Result<Vec<(i32, Bucket)>> {
    let Some(c) = Columns::of(stretches) else { return Ok(Vec::new()) };
    let rows = match table {
        Table::Minute => stored_in!("rollup_minute", connection, c),
        Table::Hour => stored_in!("rollup_hour", connection, c),
        Table::Day => Vec::new(),
    };
    let mut buckets: Vec<_> = rows.into_iter().map(Row::bucket).collect();
    buckets.sort_by_key(|(regulator, bucket)| (*regulator, bucket.start));
    Ok(buckets)
}

impl Row {
    fn bucket(self) -> (i32, Bucket) {
        let measure = |n, min: Option<f32>, max: Option<f32>, sum: Option<f64>| match (min, max, sum) {
            (Some(min), Some(max), Some(sum)) => Measure { n, min, max, sum },
            _ => Measure::NONE,
        };
        let taps = match (self.tap_min, self.tap_max, self.tap_first, self.tap_last) {
            (Some(min), Some(max), Some(first), Some(last)) => Some(Taps { min, max, first, last }),
            _ => None,
        };
        let counter =
            match (self.counter_first, self.counter_first_at, self.counter_last, self.counter_last_at) {
                (Some(first), Some(first_at), Some(last), Some(last_at)) => {
                    Some(Counter { first, first_at, last, last_at })
                }
                _ => None,
            };
        let measures = [
            measure(self.load_voltage_n, self.load_voltage_min, self.load_voltage_max, self.load_voltage_sum),
            measure(
                self.source_voltage_n,
                self.source_voltage_min,
                self.source_voltage_max,
                self.source_voltage_sum,
            ),
            measure(self.current_n, self.current_min, self.current_max, self.current_sum),
            measure(self.real_power_n, self.real_power_min, self.real_power_max, self.real_power_sum),
            measure(
                self.reactive_power_n,
                self.reactive_power_min,
                self.reactive_power_max,
                self.reactive_power_sum,
            ),
        ];
        let (start, readings, operations) = (self.bucket, self.readings, self.operations);
        (self.regulator_id, Bucket { start, readings, measures, taps, counter, operations })
    }
}

/// Adds spans that are known not to be stored yet.
pub(super) async fn add(
    connection: &mut PgConnection,
    table: Table,
    spans: &[(i32, Bucket)],
) -> sqlx::Result<()> {
    copy_in(connection, table.name(), spans).await
}

/// Writes spans that may be stored already.
pub(super) async fn put(
    connection: &mut PgConnection,
    table: Table,
    spans: &[(i32, Bucket)],
) -> sqlx::Result<()> {
    if spans.is_empty() {
        return Ok(());
    }
    copy_in(connection, "rollup_staging", spans).await?;
    let name = table.name();
    let values = COLUMNS.split_once("readings").map_or("", |(key, _)| &COLUMNS[key.len()..]);
    let new = values.split(", ").map(|c| format!("excluded.{}", c.trim())).collect::<Vec<_>>().join(", ");
    let put = format!(
        "insert into {name} ({COLUMNS}) select {COLUMNS} from rollup_staging \
         on conflict (regulator_id, bucket) do update set ({values}) = row ({new})"
    );
    sqlx::query(sqlx::AssertSqlSafe(put)).execute(&mut *connection).await?;
    sqlx::query("delete from rollup_staging").execute(connection).await?;
    Ok(())
}

async fn copy_in(connection: &mut PgConnection, table: &str, spans: &[(i32, Bucket)]) -> sqlx::Result<()> {
    if spans.is_empty() {
        return Ok(());
    }
    let mut rows = CopyBuffer::with_capacity(spans.len() * ROW_BYTES);
    for (regulator_id, bucket) in spans {
        encode(&mut rows, *regulator_id, bucket);
    }
    let mut copy =
        connection.copy_in_raw(&format!("copy {table} ({COLUMNS}) from stdin (format binary)")).await?;
    copy.send(rows.finish()).await?;
    copy.finish().await?;
    Ok(())
}

fn encode(rows: &mut CopyBuffer, regulator_id: i32, bucket: &Bucket) {
    rows.row(COLUMN_COUNT);
    rows.i32(regulator_id);
    rows.timestamp(bucket.start);
    rows.i32(bucket.readings);
    for measure in &bucket.measures {
        let some = measure.n > 0;
        rows.i32(measure.n);
        rows.f32(some.then_some(measure.min));
        rows.f32(some.then_some(measure.max));
        rows.f64(some.then_some(measure.sum));
    }
    rows.i32(bucket.taps.map(|t| t.min));
    rows.i32(bucket.taps.map(|t| t.max));
    rows.i32(bucket.taps.map(|t| t.first));
    rows.i32(bucket.taps.map(|t| t.last));
    rows.i64(bucket.counter.map(|c| c.first));
    rows.timestamp(bucket.counter.map(|c| c.first_at));
    rows.i64(bucket.counter.map(|c| c.last));
    rows.timestamp(bucket.counter.map(|c| c.last_at));
    rows.i64(bucket.operations);
}
