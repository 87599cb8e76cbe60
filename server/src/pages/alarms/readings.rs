//! The readings around the time an alarm was raised.

use regulator::{Quality, Quantity, Reading, TimeSource, Timestamp};
use sqlx::PgConnection;
use web::{
    alarms::ReadingRow,
    board::{Cell, reason},
};

struct Stored {
    measured_at: Timestamp,
    load_voltage: Option<f32>,
    source_voltage: Option<f32>,
    current: Option<f32>,
    real_power: Option<f32>,
    tap: Option<i32>,
    operations: Option<i64>,
    automatic: Option<bool>,
    quality: Vec<u8>,
    time_source: Option<i16>,
    age: Option<Vec<u8>>,
}

/// The last 15 readings up to it, and the next 5.
pub(super) async fn around(
    db: &mut PgConnection,
    regulator_id: i32,
    raised_at: Timestamp,
) -> sqlx::Result<Vec<ReadingRow>> {
    // The bounds let Postgres pass over the partitions of other days.
    let mut stored = sqlx::query_as!(
        Stored,
        "select measured_at, load_voltage, source_voltage, current, real_power, tap, operations, automatic, quality,
                time_source, age
         from reading
         where regulator_id = $1 and measured_at <= $2 and measured_at > $2 - interval '1 day'
         order by measured_at desc limit 15",
        regulator_id,
        raised_at,
    )
    .fetch_all(&mut *db)
    .await?;
    stored.reverse();
    let later = sqlx::query_as!(
        Stored,
        "select measured_at, load_voltage, source_voltage, current, real_power, tap, operations, automatic, quality,
                time_source, age
         from reading
         where regulator_id = $1 and measured_at > $2 and measured_at < $2 + interval '1 hour'
         order by measured_at limit 5",
        regulator_id,
        raised_at,
    )
    .fetch_all(db)
    .await?;
    stored.extend(later);
    Ok(stored.into_iter().map(|s| s.row(raised_at)).collect())
}

impl Stored {
    fn row(self, raised_at: Timestamp) -> ReadingRow {
        let reading = self.reading();
        let automatic = reading.flag(Quantity::Automatic).map_or_else(
            || Cell::missing(reason(reading.quality(Quantity::Automatic))),
            |yes| Cell::good(if yes { "yes" } else { "no" }.to_owned()),
        );
        let of = |quantity, decimals| Cell::of(&reading, quantity, decimals).aged(reading.age(quantity));
        let cells = vec![
            of(Quantity::LoadVoltage, 1),
            of(Quantity::SourceVoltage, 1),
            of(Quantity::Current, 0),
            of(Quantity::RealPower, 0),
            Cell::tap(&reading).aged(reading.age(Quantity::Tap)),
            of(Quantity::Operations, 0),
            automatic.aged(reading.age(Quantity::Automatic)),
        ];
        let after = reading.measured_at > raised_at;
        ReadingRow { at: reading.measured_at, source: reading.time_source, after, cells }
    }

    fn reading(&self) -> Reading {
        let mut reading = Reading::new(self.measured_at);
        // A counter is shown without decimals; below 2^53 it is exact.
        #[allow(clippy::cast_precision_loss, reason = "counters stay far below 2^53")]
        let operations = self.operations.map(|n| n as f64);
        for (quantity, value) in [
            (Quantity::LoadVoltage, self.load_voltage.map(f64::from)),
            (Quantity::SourceVoltage, self.source_voltage.map(f64::from)),
            (Quantity::Current, self.current.map(f64::from)),
            (Quantity::RealPower, self.real_power.map(f64::from)),
            (Quantity::Tap, self.tap.map(f64::from)),
            (Quantity::Operations, operations),
            (Quantity::Automatic, self.automatic.map(|yes| f64::from(u8::from(yes)))),
        ] {
            let code = self.quality.get(quantity.index()).copied().unwrap_or_default();
            reading.set(quantity, value, Quality::from_code(code));
        }
        reading.time_source = TimeSource::from_stored(self.time_source);
        reading.set_age_bytes(self.age.as_deref().unwrap_or_default());
        reading
    }
}
