//! Rows of `service_life`: what is known of each regulator since its first reading.

use std::collections::HashMap;

use regulator::{
    Timestamp,
    conditions::{Condition, Settings},
    dwell::{ExerciseRule, Stay},
    wear::ContactWear,
};
use sqlx::PgConnection;
use web::dwell::Dwell;

use crate::analysis;

/// One regulator's life.
#[derive(Debug, Clone)]
pub(in crate::pages) struct Lived {
    pub(in crate::pages) seen_until: Timestamp,
    pub(in crate::pages) settled_until: Timestamp,
    pub(in crate::pages) first_seen_at: Timestamp,
    pub(in crate::pages) first_counter: Option<u64>,
    moved_at: Option<Timestamp>,
    neutral_at: Option<Timestamp>,
    pub(in crate::pages) wear: ContactWear,
    stay: Stay,
}

impl Lived {
    /// How long it has not moved, and what is due by a rule.
    pub(in crate::pages) fn dwell(&self, rule: &ExerciseRule) -> Dwell {
        Dwell {
            due: rule.due(&self.stay, self.seen_until),
            stay: self.stay.clone(),
            first_seen_at: self.first_seen_at,
            seen_until: self.seen_until,
            moved_at: self.moved_at,
            neutral_at: self.neutral_at,
            reversed: self.wear.reversals > 0,
        }
    }
}

/// When exercise is due, by these settings.
pub(in crate::pages) fn exercise_rule(settings: &Settings) -> ExerciseRule {
    let get = |name| settings.get(Condition::ExerciseDue, name);
    ExerciseRule { tap_days: get("tap_days"), side_days: get("side_days") }
}

/// The lives of these regulators, those that have one.
pub(in crate::pages) async fn load(db: &mut PgConnection, ids: &[i32]) -> sqlx::Result<HashMap<i32, Lived>> {
    let rows = sqlx::query!(
        "select regulator_id, seen_until, settled_until, first_seen_at, first_counter, moved_at, neutral_at, wear, state
            from service_life where regulator_id = any($1)",
        ids
    )
    .fetch_all(db)
    .await?;
    let lived = rows.into_iter().map(|row| {
        let lived = Lived {
            seen_until: row.seen_until,
            settled_until: row.settled_until,
            first_seen_at: row.first_seen_at,
            first_counter: row.first_counter.and_then(|n| u64::try_from(n).ok()),
            moved_at: row.moved_at,
            neutral_at: row.neutral_at,
            wear: super::days::wear(row.regulator_id, &row.wear),
            stay: analysis::stay(&row.state),
        };
        (row.regulator_id, lived)
    });
    Ok(lived.collect())
}
