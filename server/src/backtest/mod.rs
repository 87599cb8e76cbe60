//! Backtests over stored readings: what a condition would have raised with other thresholds, beside what those in force give and
//! what really was raised.
//!
//! The judging is [`regulator::backtest`]'s, which runs the live detectors. Here readings are streamed, one regulator or bank
//! after another, in windows of a few hours, so that memory does not grow with fleet or period; only episodes are kept, and of
//! those no more than [`MOST_EPISODES`] (all are counted). A run begins with nothing remembered: what needs days to learn (a
//! baseline, a tap audit) learns at the beginning of the period. A regulator is judged by its own readings: what neighbours report
//! beside it (a source voltage lent, the voltages of a bank that moves together) is known to detection alone, so mechanisms of ganged
//! banks look more suspect here than they are.

mod judge;
mod report;
mod target;
#[cfg(test)]
mod tests;
mod turn;

use std::{
    sync::Arc,
    time::{Duration, Instant},
};

use chrono::NaiveDate;
use regulator::{
    backtest::CannotReplay,
    conditions::{Condition, Scope},
};
use sqlx::PgPool;

pub use report::{Episode, Judged, Kind, MOST_EPISODES, Report, Totals};
pub use target::Part;
pub use turn::{Progress, Turn};

use crate::{detection::Thresholds, inventory};

/// Longest period, days.
pub const MOST_DAYS: i64 = 31;

/// What is asked.
#[derive(Debug, Clone, PartialEq)]
pub struct Ask {
    /// Which condition.
    pub condition: Condition,
    /// Values to try, by parameter; the others stay as they are in force for each regulator.
    pub set: Vec<(String, f64)>,
    /// Which part of the fleet.
    pub part: Part,
    /// First and last day, both included, each by its site's own midnights.
    pub days: (NaiveDate, NaiveDate),
}

/// How much one backtest may take.
#[derive(Debug, Clone, Copy)]
pub struct Bounds {
    /// Most regulators or banks.
    pub most_places: usize,
    /// Longest time; what is not judged by then is left out and said to be.
    pub patience: Option<Duration>,
}

/// Why there is no backtest.
#[derive(Debug, thiserror::Error)]
pub enum BacktestError {
    /// The condition is not judged of readings.
    #[error(
        "{0}; a backtest has readings alone, and cannot know whether an endpoint answered or a poller ran"
    )]
    NotOfReadings(CannotReplay),
    /// The period cannot be.
    #[error("{0}")]
    Period(String),
    /// Nothing in service there.
    #[error("no regulator is in service there")]
    Nothing,
    /// The database cannot be asked.
    #[error("asking the database")]
    Database(#[from] sqlx::Error),
    /// Our own mistake.
    #[error("judging readings")]
    Judging(#[from] tokio::task::JoinError),
}

/// Why a condition cannot be backtested, if it cannot.
#[must_use]
pub fn refusal(condition: Condition) -> Option<BacktestError> {
    match condition.scope() {
        Scope::Regulator | Scope::Bank => None,
        Scope::Endpoint | Scope::Poller | Scope::Substation | Scope::Part => {
            Some(BacktestError::NotOfReadings(CannotReplay::NotOfRegulator(condition)))
        }
    }
}

/// Whether a period can be asked for; days.
///
/// # Errors
/// When it ends before it begins or is longer than [`MOST_DAYS`].
pub fn check_days((from, to): (NaiveDate, NaiveDate)) -> Result<i64, BacktestError> {
    let days = (to - from).num_days() + 1;
    match days {
        ..=0 => Err(BacktestError::Period("The period ends before it begins.".to_owned())),
        1..=MOST_DAYS => Ok(days),
        _ => Err(BacktestError::Period(format!(
            "The period is {days} days long; ask for {MOST_DAYS} at most."
        ))),
    }
}

/// Runs one.
///
/// # Errors
/// When it cannot be run; what was cut because of `bounds` is no error and stands in the report.
pub async fn run(
    pool: &PgPool,
    ask: &Ask,
    bounds: Bounds,
    progress: &Arc<Progress>,
) -> Result<Report, BacktestError> {
    if let Some(refusal) = refusal(ask.condition) {
        return Err(refusal);
    }
    let days = check_days(ask.days)?;
    let started = Instant::now();
    let mut db = pool.acquire().await?;
    let inventory = inventory::load(&mut db).await?;
    let thresholds = Thresholds::load(&mut db).await?;
    let mut targets = target::of(&inventory, &thresholds, ask);
    if targets.is_empty() {
        return Err(BacktestError::Nothing);
    }
    let asked = targets.len();
    targets.truncate(bounds.most_places);
    progress.begin(targets.len());
    let mut report = Report::new(days, asked);
    for target in targets {
        let until = bounds.patience.map(|patience| started + patience);
        let Some(judged) = judge::judge(&mut db, ask, &target, until).await? else { break };
        report.add(&target, judged);
        progress.step();
    }
    report.took = started.elapsed();
    Ok(report)
}
