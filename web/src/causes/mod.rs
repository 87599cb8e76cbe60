//! Why regulators tap: shares of causes for a place, over time.

mod chart;
mod period;

use askama::Template;
use chrono::NaiveDate;
use regulator::{
    Timestamp,
    causes::{Cause, Shares},
};

pub use chart::{Chart, Piece, letter};
pub use period::Period;

use crate::{
    board::{Choice, number},
    frame::Frame,
    words,
};

/// A part of something in percent: "34 %"; what is there but rounds to nothing is "<1 %".
#[must_use]
pub fn percent(part: f64) -> String {
    match 100.0 * part {
        p if p > 0.0 && p < 0.5 => "<1\u{a0}%".to_owned(),
        p => number(p, 0, "%"),
    }
}

/// How sure something is: "0.82".
#[must_use]
pub fn confidence(value: f64) -> String {
    number(value, 2, "")
}

/// The operations of one cause, for a cell.
#[must_use]
pub fn cell(shares: &Shares, cause: &Cause) -> Option<(String, String, String)> {
    let (share, sure) = shares.share(*cause).zip(shares.confidence(*cause))?;
    let n = i64::try_from(shares.operations(*cause)).unwrap_or(i64::MAX);
    Some((words::count(n), percent(share), confidence(sure)))
}

/// Operations undone within five minutes: count and part of all.
#[must_use]
#[allow(clippy::cast_precision_loss, reason = "counts are small")]
pub fn undone(shares: &Shares) -> Option<(u64, String)> {
    let total = shares.total();
    (total > 0).then(|| (shares.undone(), percent(shares.undone() as f64 / total as f64)))
}

/// One row of a table: a stretch of time, or a place.
#[derive(Debug, Clone)]
pub struct Line {
    /// Its name.
    pub name: String,
    /// Where it leads, if anywhere.
    pub href: Option<String>,
    /// Its operations.
    pub shares: Shares,
}

/// How much of a place the analysis has seen.
#[derive(Debug, Clone, Copy, Default)]
pub struct Coverage {
    /// Regulators in service there.
    pub regulators: usize,
    /// Those of them with readings analysed.
    pub analysed: usize,
    /// Operations up to here have their causes, for those that are up to date.
    pub settled_until: Option<Timestamp>,
}

/// What the reader asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Asked {
    /// `fleet`, or a kind and a number: `feeder:4`.
    pub place: String,
    /// What one row sums up.
    pub by: Period,
    /// First day.
    pub from: NaiveDate,
    /// Last day.
    pub to: NaiveDate,
}

impl Asked {
    /// The address of the page with this choice.
    #[must_use]
    pub fn href(&self) -> String {
        format!("/causes?{}", self.query())
    }

    /// The same as a file.
    #[must_use]
    pub fn csv(&self) -> String {
        format!("/causes.csv?{}", self.query())
    }

    fn query(&self) -> String {
        format!("place={}&by={}&from={}&to={}", self.place, self.by.key(), self.from, self.to)
    }

    /// The same by another period.
    #[must_use]
    pub fn by(&self, by: &Period) -> String {
        Self { by: *by, ..self.clone() }.href()
    }

    /// The same of another place.
    #[must_use]
    pub fn at(&self, place: String) -> String {
        Self { place, ..self.clone() }.href()
    }
}

/// The page.
#[derive(Debug, Template)]
#[template(path = "causes.html")]
pub struct CausesPage {
    /// What surrounds it.
    pub frame: Frame,
    /// What was asked for.
    pub asked: Asked,
    /// The chosen place in words.
    pub place: String,
    /// Places to choose from, with their own head each.
    pub places: Vec<(&'static str, Vec<Choice>)>,
    /// The place above, with its address.
    pub above: Option<(String, String)>,
    /// Everything in the range.
    pub all: Shares,
    /// Period by period.
    pub periods: Vec<Line>,
    /// The places below, or the regulators.
    pub below: Vec<Line>,
    /// What the places below are: "substation", "feeder", "regulator".
    pub below_kind: &'static str,
    /// The drawing.
    pub chart: Option<Chart>,
    /// How much has been analysed.
    pub coverage: Coverage,
}
