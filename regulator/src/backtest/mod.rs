//! Backtest: recorded readings through a condition, to see what it would have raised.
//!
//! The detectors are those that run live, of which one condition is judged ([`Unit::only`]), so backtest and live cannot differ:
//! the same readings in the same order give the same transitions. Readings are streamed and not kept; what grows is the
//! list of episodes. [`compare`] runs two settings side by side over one pass.
//!
//! What live knows and recorded readings do not: whether the endpoint answered. So the silence of an endpoint counts as stale
//! readings here, and conditions of endpoints and pollers cannot be backtested.

mod compare;
mod run;

use std::borrow::Borrow;

pub use compare::{Compared, Comparison, Shared};
pub use run::{Outcome, Run};

#[cfg(doc)]
use crate::conditions::Unit;
use crate::{
    Connection, Nameplate, Phase, Reading, Timestamp,
    conditions::{Condition, Member, Settings},
};

/// One time that a condition was true.
#[derive(Debug, Clone, PartialEq)]
pub struct Episode {
    /// When it became true.
    pub raised_at: Timestamp,
    /// When it was true no longer; nothing if it still was at the end.
    pub returned_at: Option<Timestamp>,
    /// The line it was raised with.
    pub summary: String,
}

impl Episode {
    /// How long it was true, seconds, where `end` is the last reading.
    #[must_use]
    #[allow(clippy::cast_precision_loss, reason = "whole milliseconds of centuries fit a double exactly")]
    pub fn lasted_s(&self, end: Timestamp) -> f64 {
        (self.returned_at.unwrap_or(end) - self.raised_at).num_milliseconds().max(0) as f64 / 1000.0
    }
}

/// Why a condition cannot be backtested.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum CannotReplay {
    /// It is judged of something else.
    #[error("\"{}\" is not judged of the readings of one regulator", .0.title())]
    NotOfRegulator(Condition),
    /// It is judged of something else.
    #[error("\"{}\" is not judged of the readings of one bank", .0.title())]
    NotOfBank(Condition),
}

/// What a condition would have raised over the readings of one regulator, in order of time.
///
/// # Errors
/// If it is no condition of a regulator.
pub fn backtest(
    condition: Condition,
    nameplate: &Nameplate,
    settings: &Settings,
    readings: impl IntoIterator<Item = impl Borrow<Reading>>,
) -> Result<Outcome, CannotReplay> {
    let mut run = Run::of_regulator(condition, nameplate, settings)?;
    for reading in readings {
        run.take(Phase::A, reading.borrow());
    }
    Ok(run.finish())
}

/// The same over the readings of one bank's regulators, merged in order of time.
///
/// # Errors
/// If it is no condition of a bank.
pub fn backtest_bank(
    condition: Condition,
    connection: Connection,
    members: &[Member],
    settings: &Settings,
    readings: impl IntoIterator<Item = (Phase, impl Borrow<Reading>)>,
) -> Result<Outcome, CannotReplay> {
    let mut run = Run::of_bank(condition, connection, members, settings)?;
    for (phase, reading) in readings {
        run.take(phase, reading.borrow());
    }
    Ok(run.finish())
}

/// What a condition would have raised over the readings of one regulator with two settings.
///
/// # Errors
/// If it is no condition of a regulator.
pub fn compare(
    condition: Condition,
    nameplate: &Nameplate,
    (before, after): (&Settings, &Settings),
    readings: impl IntoIterator<Item = impl Borrow<Reading>>,
) -> Result<Compared, CannotReplay> {
    let mut comparison = Comparison::new(
        Run::of_regulator(condition, nameplate, before)?,
        Run::of_regulator(condition, nameplate, after)?,
    );
    for reading in readings {
        comparison.take(Phase::A, reading.borrow());
    }
    Ok(comparison.finish())
}

#[cfg(test)]
mod tests;
