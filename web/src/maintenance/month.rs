//! One month on paper: a line a unit, totals, and what changed against the month before.

use askama::Template;
use chrono::{Months, NaiveDate};
use chrono_tz::Tz;
use regulator::{
    Timestamp,
    causes::{Cause, Shares},
};

use super::{Asked, Assumptions, Row};
use crate::{board::number, causes::percent, frame::Frame, words::count};

/// One regulator's month.
#[derive(Debug, Clone)]
pub struct MonthLine {
    /// How it stands when the report is made.
    pub row: Row,
    /// Operations in the month; nothing without a day of readings.
    pub operations: Option<u64>,
    /// In the month before.
    pub before: Option<u64>,
    /// Days with readings in the month.
    pub days: u32,
    /// Life of the worst part used in the month, likely figure.
    pub worn: Option<f64>,
    /// The operations' causes.
    pub shares: Shares,
    /// Alarms raised in the month that concern the mechanism: titles.
    pub alarms: Vec<&'static str>,
}

impl MonthLine {
    /// Operations more or fewer than in the month before.
    #[must_use]
    pub fn change(&self) -> Option<i64> {
        let (now, before) = self.operations.zip(self.before)?;
        Some(i64::try_from(now).ok()? - i64::try_from(before).ok()?)
    }

    fn counted(n: &Option<u64>) -> String {
        n.map_or_else(|| "–".to_owned(), |n| count(i64::try_from(n).unwrap_or(i64::MAX)))
    }

    fn changed(&self) -> String {
        self.change().map_or_else(|| "–".to_owned(), signed)
    }

    fn worn_text(&self) -> String {
        self.worn.map_or_else(|| "–".to_owned(), |share| number(100.0 * share, 2, "%"))
    }

    fn cause(&self) -> String {
        let main = self.shares.main().and_then(|cause| Some((cause, self.shares.share(cause)?)));
        main.map_or_else(|| "–".to_owned(), |(cause, share)| format!("{} {}", cause.title(), percent(share)))
    }
}

/// A change with its sign.
fn signed(n: i64) -> String {
    if n > 0 { format!("+{}", count(n)) } else { count(n) }
}

/// All units together.
#[derive(Debug, Clone, Default)]
pub struct Totals {
    /// Units with readings in the month.
    pub units: usize,
    /// Operations in the month.
    pub operations: u64,
    /// In the month before.
    pub before: u64,
    /// Units with readings in the month before.
    pub units_before: usize,
    /// Causes in the month and in the one before.
    pub shares: (Shares, Shares),
    /// Units with exercise due.
    pub due: usize,
    /// Units whose end is expected within five years or has been reached, by the likely figure.
    pub near: usize,
    /// Alarms of the mechanism raised in the month.
    pub alarms: usize,
}

impl Totals {
    /// Whether any operation of either month had this cause.
    fn has(&self, cause: &Cause) -> bool {
        self.shares.0.operations(*cause) + self.shares.1.operations(*cause) > 0
    }
}

/// The report.
#[derive(Debug, Template)]
#[template(path = "maintenance_month.html")]
pub struct MonthPage {
    /// What surrounds it.
    pub frame: Frame,
    /// First day of the month.
    pub month: NaiveDate,
    /// The place in words.
    pub place: String,
    /// The filter, for the neighbours' addresses.
    pub asked: Asked,
    /// A line a unit.
    pub lines: Vec<MonthLine>,
    /// All together.
    pub totals: Totals,
    /// Largest changes of operations against the month before: up to ten.
    pub changes: Vec<(String, i32, u64, u64)>,
    /// What is assumed.
    pub assumptions: Assumptions,
    /// When it was made, and in which zone that is told.
    pub now: Timestamp,
    /// The zone.
    pub zone: Tz,
    /// The month is not over.
    pub unfinished: bool,
}

impl MonthPage {
    fn at(&self, month: NaiveDate) -> String {
        format!("/maintenance/month/{}{}", month.format("%Y-%m"), self.asked.query())
    }

    fn file(&self) -> String {
        format!("/maintenance/month/{}.csv{}", self.month.format("%Y-%m"), self.asked.query())
    }

    fn earlier(&self) -> String {
        self.at(self.month - Months::new(1))
    }

    fn later(&self) -> String {
        self.at(self.month + Months::new(1))
    }

    fn before(&self) -> String {
        (self.month - Months::new(1)).format("%Y-%m").to_string()
    }

    fn change(&self) -> String {
        let n = i64::try_from(self.totals.operations).unwrap_or(i64::MAX)
            - i64::try_from(self.totals.before).unwrap_or(0);
        signed(n)
    }

    fn count(n: &u64) -> String {
        count(i64::try_from(*n).unwrap_or(i64::MAX))
    }

    fn difference(now: &u64, before: &u64) -> String {
        signed(i64::try_from(*now).unwrap_or(i64::MAX) - i64::try_from(*before).unwrap_or(0))
    }
}
