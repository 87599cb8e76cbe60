//! What to service first: the ranking of regulators, one unit's contacts, the month on paper.

mod month;
mod order;
mod wear;
pub mod words;

use askama::Template;
use chrono::NaiveDate;
use regulator::{Timestamp, causes::Cause, wear::Outlook};

pub use month::{MonthLine, MonthPage, Totals};
pub use order::{Asked, Column};
pub use wear::{Moved, PartRow, WearPage};
pub use words::Life;

use crate::{
    board::{Choice, number},
    causes::percent,
    dwell::Dwell,
    frame::Frame,
};

/// Rows shown unless every one is asked for.
pub const FIRST_ROWS: usize = 250;

/// One regulator.
#[derive(Debug, Clone)]
pub struct Row {
    /// The regulator.
    pub id: i32,
    /// Its site's page.
    pub site_id: i32,
    /// Its name: site, bank where there are several, phase.
    pub name: String,
    /// Substation and feeder.
    pub above: String,
    /// What names are sorted by.
    pub order: (String, String),
    /// The life of its worst part.
    pub life: Life,
    /// Operations since the first reading that have no place on a contact, and are not in the life used.
    pub unplaced: u64,
    /// When it ends; nothing without an account.
    pub outlook: Option<Outlook>,
    /// Operations in the last thirty whole days.
    pub operations: Option<u64>,
    /// The same a day, over the days with readings.
    pub per_day: Option<f64>,
    /// The counter as last read.
    pub counter: Option<u64>,
    /// How long it has not moved; nothing while not analysed.
    pub dwell: Option<Dwell>,
    /// Open alarms that make the mechanism or its reports suspect: number and title.
    pub suspects: Vec<(i64, &'static str)>,
    /// The cause of most operations of the last thirty days, with its share.
    pub main: Option<(Cause, f64)>,
}

impl Row {
    /// Place of its end in time, for order: seconds; what has been reached is first, what lies beyond the horizon last but told.
    #[must_use]
    #[allow(clippy::cast_precision_loss, reason = "for order only")]
    pub fn end_order(&self) -> Option<f64> {
        match self.outlook? {
            Outlook::CannotTell(_) => None,
            Outlook::Reached => Some(f64::NEG_INFINITY),
            Outlook::End { likely, .. } => Some(likely.map_or(f64::INFINITY, |at| at.timestamp() as f64)),
        }
    }

    /// Days not moved of what is due, the most.
    #[must_use]
    pub fn due_days(&self) -> Option<f64> {
        let due = self.dwell.as_ref()?.due;
        [due.tap_days, due.side_days].into_iter().flatten().reduce(f64::max)
    }

    fn end(&self) -> String {
        self.outlook.as_ref().map_or_else(|| "–".to_owned(), words::end)
    }

    fn end_detail(&self) -> String {
        self.outlook.as_ref().map_or_else(String::new, words::end_detail)
    }

    fn per_day_text(&self) -> String {
        self.per_day.map_or_else(|| "–".to_owned(), |n| number(n, 1, ""))
    }

    fn days_text(days: Option<f64>) -> String {
        days.map_or_else(|| "–".to_owned(), |d| format!("≥ {}", number(d, usize::from(d < 10.0), "")))
    }

    fn on_tap(&self) -> String {
        let at = self
            .dwell
            .as_ref()
            .and_then(|d| d.stay.tap())
            .map(|tap| format!(" at {}", crate::dwell::place(tap)));
        let days = Self::days_text(self.dwell.as_ref().and_then(Dwell::tap_days));
        format!("{days}{}", at.unwrap_or_default())
    }

    fn on_side(&self) -> String {
        Self::days_text(self.dwell.as_ref().and_then(Dwell::side_days))
    }

    fn due(&self) -> Option<&'static str> {
        self.dwell.as_ref().and_then(Dwell::due)
    }

    fn cause(&self) -> String {
        self.main
            .map_or_else(|| "–".to_owned(), |(cause, share)| format!("{} {}", cause.title(), percent(share)))
    }
}

/// What the wear settings of the fleet are, for the words about assumptions.
#[derive(Debug, Clone, PartialEq)]
pub struct Assumptions {
    /// Breaks at rated current in a life.
    pub life_operations: f64,
    /// Exponent of the current.
    pub exponent: f64,
    /// Current assumed where none is known, percent of rated.
    pub assumed_current_percent: f64,
    /// Some place has other values.
    pub vary: bool,
}

impl Assumptions {
    /// One sentence each.
    #[must_use]
    pub fn sentences(&self) -> Vec<String> {
        let set = if self.vary { "; some places have other values" } else { "" };
        vec![
            format!(
                "One life is {} breaks of one contact at rated current, and a break at current I costs in proportion to I to the power {}{set}. Both are assumptions; the range is that of the exponents 1 to 2.",
                crate::words::plain(self.life_operations), crate::words::plain(self.exponent)
            ),
            format!(
                "Before the first reading only the counter is known: each finger is taken to have broken half of those operations, the worst contact a quarter (a ninth to a half), at {} of rated current (half to half as much again).",
                number(self.assumed_current_percent, 0, "%")
            ),
            "Oil, coking, alignment and the maker's contacts are not in it. It ranks units for inspection and measures nothing.".to_owned(),
            "The end is taken from the wear of the last 90 whole days (28 at least); its range joins the exponent's and the spread between weeks. Seasons are not in it.".to_owned(),
        ]
    }
}

/// The page.
#[derive(Debug, Template)]
#[template(path = "maintenance.html")]
pub struct MaintenancePage {
    /// What surrounds it.
    pub frame: Frame,
    /// What was asked for.
    pub asked: Asked,
    /// The rows shown.
    pub rows: Vec<Row>,
    /// All that match.
    pub total: usize,
    /// Those of them with readings analysed.
    pub analysed: usize,
    /// Substations.
    pub substations: Vec<Choice>,
    /// Feeders, by substation.
    pub feeders: Vec<(String, Vec<Choice>)>,
    /// The last whole month, for the report.
    pub month: NaiveDate,
    /// What is assumed.
    pub assumptions: Assumptions,
    /// When it was asked.
    pub now: Timestamp,
}

impl MaintenancePage {
    fn report(&self) -> String {
        let place = Asked { sort: Column::default(), reverse: false, all: false, ..self.asked.clone() };
        format!("/maintenance/month/{}{}", self.month.format("%Y-%m"), place.query())
    }
}
