//! The readings that batches name.

use regulator::{Quality, Quantity, Reading, TimeSource, Timestamp};
use sqlx::PgConnection;

use super::Batch;

/// One reading of a batch.
#[derive(Debug, Clone, PartialEq)]
pub struct BatchReading {
    /// Whose.
    pub regulator_id: i32,
    /// What.
    pub reading: Reading,
}

/// The readings that each of `batches` names, as they are stored now, each batch's ordered by regulator and time. A reading
/// that retention has dropped since is left out.
///
/// # Errors
/// When the database cannot be asked.
pub async fn of(connection: &mut PgConnection, batches: &[Batch]) -> sqlx::Result<Vec<Vec<BatchReading>>> {
    let keys: Vec<&[(i32, Timestamp)]> = batches.iter().map(|b| b.keys.as_slice()).collect();
    stored(connection, &keys).await
}

/// The readings of these regulators at these instants, as they are stored now, ordered by regulator and time.
///
/// # Errors
/// When the database cannot be asked.
pub async fn at(connection: &mut PgConnection, keys: &[(i32, Timestamp)]) -> sqlx::Result<Vec<BatchReading>> {
    Ok(stored(connection, &[keys]).await?.pop().unwrap_or_default())
}

/// The readings of each of these regulators in the last `minutes` up to and with its instant, ordered by regulator and time.
///
/// # Errors
/// When the database cannot be asked.
pub async fn up_to(
    connection: &mut PgConnection,
    instants: &[(i32, Timestamp)],
    minutes: i32,
) -> sqlx::Result<Vec<BatchReading>> {
    let (Some(first), Some(last)) = (instants.iter().map(|k| k.1).min(), instants.iter().map(|k| k.1).max())
    else {
        return Ok(vec![]);
    };
    let (regulators, times): (Vec<i32>, Vec<Timestamp>) = instants.iter().copied().unzip();
    // The bounds let Postgres pass over the partitions of other days.
    let rows = sqlx::query_as!(
        Row,
        r#"select 0 as "place!", r.*
            from unnest($1::integer[], $2::timestamptz[]) k(regulator_id, instant)
            join reading r on r.regulator_id = k.regulator_id
                and r.measured_at > k.instant - make_interval(mins => $3) and r.measured_at <= k.instant
            where r.measured_at > $4::timestamptz - make_interval(mins => $3) and r.measured_at <= $5
            order by r.regulator_id, r.measured_at"#,
        &regulators,
        &times,
        minutes,
        first,
        last
    )
    .fetch_all(connection)
    .await?;
    Ok(rows.into_iter().map(Row::decode).collect())
}

/// The good and bad readings of one regulator from an instant up to another, in order of time; at most `most`.
///
/// # Errors
/// When the database cannot be asked.
pub async fn between(
    connection: &mut PgConnection,
    regulator: i32,
    (from, to): (Timestamp, Timestamp),
    most: i64,
) -> sqlx::Result<Vec<Reading>> {
    let rows = sqlx::query_as!(
        Row,
        r#"select 0 as "place!", r.* from reading r
            where regulator_id = $1 and measured_at >= $2 and measured_at < $3 order by measured_at limit $4"#,
        regulator,
        from,
        to,
        most
    )
    .fetch_all(connection)
    .await?;
    Ok(rows.into_iter().map(|row| row.decode().reading).collect())
}

/// The newest readings of one regulator from an instant on, in order of time; at most `most`.
///
/// # Errors
/// When the database cannot be asked.
pub async fn newest(
    connection: &mut PgConnection,
    regulator: i32,
    from: Timestamp,
    most: i64,
) -> sqlx::Result<Vec<Reading>> {
    let rows = sqlx::query_as!(
        Row,
        r#"select 0 as "place!", r.* from reading r
            where regulator_id = $1 and measured_at >= $2 order by measured_at desc limit $3"#,
        regulator,
        from,
        most
    )
    .fetch_all(connection)
    .await?;
    Ok(rows.into_iter().rev().map(|row| row.decode().reading).collect())
}

/// The readings of each list of keys.
async fn stored(
    connection: &mut PgConnection,
    lists: &[&[(i32, Timestamp)]],
) -> sqlx::Result<Vec<Vec<BatchReading>>> {
    let mut found: Vec<Vec<BatchReading>> = lists.iter().map(|keys| Vec::with_capacity(keys.len())).collect();
    let keys = || lists.iter().copied().flatten();
    // The bounds let Postgres pass over the partitions of other days.
    let (Some(first), Some(last)) = (keys().map(|k| k.1).min(), keys().map(|k| k.1).max()) else {
        return Ok(found);
    };
    let places: Vec<i32> =
        (0i32..).zip(lists).flat_map(|(place, keys)| std::iter::repeat_n(place, keys.len())).collect();
    let regulators: Vec<i32> = keys().map(|k| k.0).collect();
    let times: Vec<Timestamp> = keys().map(|k| k.1).collect();
    let rows = sqlx::query_as!(
        Row,
        r#"select k.place as "place!", r.*
            from unnest($1::integer[], $2::integer[], $3::timestamptz[]) k(place, regulator_id, measured_at)
            join reading r on r.regulator_id = k.regulator_id and r.measured_at = k.measured_at
            where r.measured_at between $4 and $5
            order by k.place, r.regulator_id, r.measured_at"#,
        &places,
        &regulators,
        &times,
        first,
        last
    )
    .fetch_all(connection)
    .await?;
    for row in rows {
        if let Some(place) = usize::try_from(row.place).ok().and_then(|place| found.get_mut(place)) {
            place.push(row.decode());
        }
    }
    Ok(found)
}

/// A row of the table `reading`.
struct Row {
    place: i32,
    regulator_id: i32,
    measured_at: Timestamp,
    load_voltage: Option<f32>,
    source_voltage: Option<f32>,
    current: Option<f32>,
    real_power: Option<f32>,
    reactive_power: Option<f32>,
    power_factor: Option<f32>,
    tap: Option<i32>,
    operations: Option<i64>,
    automatic: Option<bool>,
    blocked: Option<bool>,
    at_neutral: Option<bool>,
    reverse_flow: Option<bool>,
    set_voltage: Option<f32>,
    bandwidth: Option<f32>,
    time_delay: Option<f32>,
    ldc_resistance: Option<f32>,
    ldc_reactance: Option<f32>,
    voltage_distortion: Option<f32>,
    current_distortion: Option<f32>,
    tap_in_progress: Option<bool>,
    quality: Vec<u8>,
    time_source: Option<i16>,
    age: Option<Vec<u8>>,
}

impl Row {
    fn value(&self, quantity: Quantity) -> Option<f64> {
        let flag = |yes: Option<bool>| yes.map(|yes| f64::from(u8::from(yes)));
        let number = |value: Option<f32>| value.map(f64::from);
        match quantity {
            Quantity::LoadVoltage => number(self.load_voltage),
            Quantity::SourceVoltage => number(self.source_voltage),
            Quantity::Current => number(self.current),
            Quantity::RealPower => number(self.real_power),
            Quantity::ReactivePower => number(self.reactive_power),
            Quantity::PowerFactor => number(self.power_factor),
            Quantity::Tap => self.tap.map(f64::from),
            #[allow(clippy::cast_precision_loss, reason = "counters are far below 2^53")]
            Quantity::Operations => self.operations.map(|n| n as f64),
            Quantity::Automatic => flag(self.automatic),
            Quantity::Blocked => flag(self.blocked),
            Quantity::AtNeutral => flag(self.at_neutral),
            Quantity::ReverseFlow => flag(self.reverse_flow),
            Quantity::SetVoltage => number(self.set_voltage),
            Quantity::Bandwidth => number(self.bandwidth),
            Quantity::TimeDelay => number(self.time_delay),
            Quantity::LdcResistance => number(self.ldc_resistance),
            Quantity::LdcReactance => number(self.ldc_reactance),
            Quantity::VoltageDistortion => number(self.voltage_distortion),
            Quantity::CurrentDistortion => number(self.current_distortion),
            Quantity::TapInProgress => flag(self.tap_in_progress),
        }
    }

    fn decode(self) -> BatchReading {
        let mut reading = Reading::new(self.measured_at);
        for (&quantity, &code) in Quantity::ALL.iter().zip(&self.quality) {
            if code != Quality::NotReported.code() {
                reading.set(quantity, self.value(quantity), Quality::from_code(code));
            }
        }
        reading.time_source = TimeSource::from_stored(self.time_source);
        reading.set_age_bytes(self.age.as_deref().unwrap_or_default());
        BatchReading { regulator_id: self.regulator_id, reading }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::feed::{after, testing};
    use private_postgres::testing::TestDatabase;

    #[tokio::test]
    async fn every_quantity_comes_back_as_written_and_dropped_readings_are_no_error() {
        let database = TestDatabase::new().await;
        let mut connection = database.pool.acquire().await.unwrap();
        let mut full = Reading::new(testing::at(0));
        for (i, &quantity) in (0u8..).zip(Quantity::ALL) {
            let value = if quantity.is_flag() { f64::from(i % 2) } else { f64::from(i) + 100.0 };
            full.set(quantity, Some(value), Quality::Good);
        }
        full.set(Quantity::Tap, Some(40.0), Quality::OutOfRange);
        full.set(Quantity::Current, None, Quality::NotAvailable);
        let gone = Reading::new(testing::at(5)).with(Quantity::LoadVoltage, 1.0);
        let written = [(50_002, full.clone()), (50_001, full.clone()), (50_001, gone)];
        testing::write(&mut connection, &testing::batch("p", 10), &written).await;
        sqlx::query("delete from reading where measured_at = $1")
            .bind(testing::at(5))
            .execute(&mut *connection)
            .await
            .unwrap();

        let batches = after(&mut connection, 0, 100).await.unwrap();
        let read = of(&mut connection, &batches).await.unwrap();
        let expected = |id| BatchReading { regulator_id: id, reading: full.clone() };
        // NaN stands for missing inside a reading, so compare what each says.
        assert_eq!(format!("{read:?}"), format!("{:?}", vec![vec![expected(50_001), expected(50_002)]]));
    }
}
