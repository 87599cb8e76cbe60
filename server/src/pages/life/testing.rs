//! What the analysis would have written, for tests of the pages that show it.

use chrono::{DateTime, NaiveDate, Utc};
use regulator::wear::PART_COUNT;
use sqlx::PgConnection;

use crate::{inventory, picture::Fleet, testing::TestApp};

/// Shows the inventory as it is in the database now.
pub(in crate::pages) async fn show_inventory(test: &TestApp) {
    let inventory = inventory::load(&mut *test.db().await).await.unwrap();
    let now = Utc::now();
    test.app.picture.replace(Fleet::of(&inventory, now), now);
}

/// Wear as JSON: breaks and billionths of a life, alike for every exponent, of the finger ahead.
pub(in crate::pages) fn worn(breaks: u64, billionths: u64) -> String {
    let mut parts = vec![[0, 0, 0, 0]; PART_COUNT];
    parts[9] = [breaks, billionths, billionths, billionths];
    serde_json::json!({ "parts": parts, "reversals": 0, "unplaced": 0, "assumed": 0 }).to_string()
}

/// A life: seen for so many days until `until`, on tap +3 since the beginning.
pub(in crate::pages) async fn live(
    db: &mut PgConnection,
    id: i32,
    (days, until): (i32, DateTime<Utc>),
    first_counter: Option<i64>,
    wear: &str,
) {
    let first = until - chrono::TimeDelta::days(days.into());
    let state = serde_json::json!({ "stay": { "tap": 3, "since": first, "side": 1, "side_since": first } });
    sqlx::query(
        "insert into service_life (regulator_id, seen_until, settled_until, first_seen_at, first_counter, moved_at, neutral_at, wear, state)
         values ($1, $2, $2, $3, $4, null, null, $5, $6)",
    )
    .bind(id)
    .bind(until)
    .bind(first)
    .bind(first_counter)
    .bind(wear)
    .bind(state.to_string())
    .execute(db)
    .await
    .unwrap();
}

/// A day with so many operations, all of it on tap +3 but for an hour on −1.
pub(in crate::pages) async fn day(
    db: &mut PgConnection,
    id: i32,
    day: NaiveDate,
    operations: i64,
    wear: &str,
) {
    sqlx::query(
        "insert into service_day (regulator_id, day, operations, tap_lowest, tap_seconds, unknown_seconds, wear)
         values ($1, $2, $3, -1, '{3600,0,0,0,82800}', 0, $4)",
    )
    .bind(id)
    .bind(day)
    .bind(operations)
    .bind(wear)
    .execute(db)
    .await
    .unwrap();
}

/// An operation from +3 to +4 with its cause.
pub(in crate::pages) async fn operation(
    db: &mut PgConnection,
    id: i32,
    at: DateTime<Utc>,
    (count, cause, confidence, undone): (i32, regulator::causes::Cause, f32, bool),
) {
    sqlx::query(
        "insert into operation (regulator_id, at, since, operations, tap_from, tap_to, load_after, current, cause, confidence, undone, evidence)
         values ($1, $2, $2 - interval '10 seconds', $3, 3, 4, 121.5, 100, $4, $5, $6, 'source moved −1.5 V of −1.5 V')",
    )
    .bind(id)
    .bind(at)
    .bind(count)
    .bind(cause as i16)
    .bind(confidence)
    .bind(undone)
    .execute(db)
    .await
    .unwrap();
}
