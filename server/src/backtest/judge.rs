//! One regulator or bank: its readings through both runs, window by window.

use std::time::Instant;

use chrono::TimeDelta;
use regulator::{
    Phase, Reading, Timestamp,
    backtest::{Outcome, Run},
};
use sqlx::PgConnection;

use super::{Ask, BacktestError, report::Real, target::Target};
use crate::feed;

/// Readings of one regulator in one window at most; more come from no control.
const MOST_A_WINDOW: i64 = 20_000;

/// What came of one.
pub(super) struct Outcomes {
    pub(super) before: Outcome,
    pub(super) after: Outcome,
    pub(super) real: Vec<Real>,
    /// A window held more readings than are taken.
    pub(super) flooded: bool,
}

/// Nothing when there was no time left to finish it.
pub(super) async fn judge(
    db: &mut PgConnection,
    ask: &Ask,
    target: &Target,
    until: Option<Instant>,
) -> Result<Option<Outcomes>, BacktestError> {
    let (from, to) = target.span;
    let hours = 24 / i64::try_from(target.members.len().clamp(1, 24)).unwrap_or(1);
    let mut runs = target.runs.clone();
    let mut flooded = false;
    let mut begin = from;
    while begin < to {
        if until.is_some_and(|until| Instant::now() >= until) {
            return Ok(None);
        }
        let end = (begin + TimeDelta::hours(hours)).min(to);
        let mut readings: Vec<(Phase, Reading)> = vec![];
        for &(id, phase) in &target.members {
            let of_it = feed::between(db, id, (begin, end), MOST_A_WINDOW).await?;
            flooded |= i64::try_from(of_it.len()).is_ok_and(|n| n == MOST_A_WINDOW);
            readings.extend(of_it.into_iter().map(|r| (phase, r)));
        }
        runs = tokio::task::spawn_blocking(move || take(runs, readings)).await?;
        begin = end;
    }
    let (before, after) = (runs.0.finish(), runs.1.finish());
    Ok(Some(Outcomes { before, after, real: real(db, ask, target).await?, flooded }))
}

fn take((mut before, mut after): (Run, Run), mut readings: Vec<(Phase, Reading)>) -> (Run, Run) {
    readings.sort_by_key(|(phase, r)| (r.measured_at, *phase));
    for (phase, reading) in &readings {
        before.take(*phase, reading);
        after.take(*phase, reading);
    }
    (before, after)
}

/// The alarms that really were raised and stood within the period.
async fn real(db: &mut PgConnection, ask: &Ask, target: &Target) -> sqlx::Result<Vec<Real>> {
    let ids: Vec<i32> = target.members.iter().map(|(id, _)| *id).collect();
    let (from, to): (Timestamp, Timestamp) = target.span;
    sqlx::query_as!(
        Real,
        "select id, raised_at, returned_at from alarm
            where condition = $1 and regulator_id = any($2) and bank_id is not distinct from $3
                and raised_at < $5 and (returned_at is null or returned_at > $4)
            order by raised_at",
        ask.condition.name(),
        &ids,
        target.bank_id,
        from,
        to
    )
    .fetch_all(db)
    .await
}
