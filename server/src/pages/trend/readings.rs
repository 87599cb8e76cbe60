//! A trend of the readings themselves.

use chrono::TimeDelta;
use regulator::{Quality, Quantity, Timestamp};
use sqlx::PgConnection;

use super::series::Series;

/// Poll intervals without a reading that make a gap: what is stale on the alarms is a gap here, unless told otherwise there.
const GAP_POLLS: f64 = 6.0;
/// And at least this many seconds.
const GAP_LEAST_S: f64 = 120.0;

/// The good values of one regulator, `from` up to `to`.
pub(super) async fn load(
    connection: &mut PgConnection,
    regulator: i32,
    (from, to): (Timestamp, Timestamp),
    poll_interval_s: f64,
) -> sqlx::Result<Series> {
    let rows = sqlx::query!(
        "select measured_at, load_voltage, current, real_power, tap, quality
            from reading where regulator_id = $1 and measured_at >= $2 and measured_at < $3 order by measured_at",
        regulator,
        from,
        to
    )
    .fetch_all(connection)
    .await?;
    let longest = gap(poll_interval_s);
    let mut series = Series::with_capacity(rows.len());
    for row in rows {
        let good = |quantity: Quantity| row.quality.get(quantity.index()) == Some(&Quality::Good.code());
        series.gap_before(row.measured_at, longest, false);
        series.push(
            row.measured_at,
            [
                row.load_voltage.filter(|_| good(Quantity::LoadVoltage)),
                row.current.filter(|_| good(Quantity::Current)),
                row.real_power.filter(|_| good(Quantity::RealPower)),
                row.tap.filter(|_| good(Quantity::Tap)).map(super::tap),
            ],
        );
    }
    Ok(series)
}

fn gap(poll_interval_s: f64) -> TimeDelta {
    #[allow(clippy::cast_possible_truncation, reason = "a poll interval is far below 2^63 ms")]
    let milliseconds = ((GAP_POLLS * poll_interval_s).max(GAP_LEAST_S) * 1000.0) as i64;
    TimeDelta::milliseconds(milliseconds)
}
