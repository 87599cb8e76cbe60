//! One site: its phases side by side, as they are now and as they were.

mod life;
mod operations;
mod range;
mod strip;

use askama::Template;
use regulator::Timestamp;

pub use life::{OperationRow, SiteLife, TapBar, UnitLife};
pub use operations::OperationsPage;
pub use range::{Range, Span};
pub use strip::{Line, Strip, Values};

use crate::{
    board::{Banner, Cell, Mark, State},
    frame::Frame,
};

/// The page.
#[derive(Debug, Template)]
#[template(path = "site.html")]
pub struct Site {
    /// What surrounds it.
    pub frame: Frame,
    /// Why the values may be old.
    pub banners: Vec<Banner>,
    /// Its number.
    pub id: i32,
    /// Its name.
    pub name: String,
    /// Its substation and feeder.
    pub substation: String,
    /// Its feeder.
    pub feeder: String,
    /// The substation's number.
    pub substation_id: i32,
    /// The feeder's number.
    pub feeder_id: i32,
    /// IANA name of its time zone.
    pub zone: String,
    /// Degrees, where known: "41.2310, −93.6202".
    pub place: Option<String>,
    /// Its regulators as they are now.
    pub present: Present,
    /// What is written on them and how they are set.
    pub plates: Vec<Facts>,
    /// The range of the trends.
    pub range: Range,
    /// The trends, drawn by the server for readers without script.
    pub strips: Vec<Strip>,
    /// Lowest, mean and highest over the range.
    pub summaries: Vec<Summary>,
    /// Alarms within the range.
    pub alarms: Vec<PastAlarm>,
    /// What people wrote down; nothing while the database is away.
    pub notes: Option<crate::notes::SiteNotes>,
    /// Why it tapped and where it stood.
    pub life: Option<SiteLife>,
    /// Names of the phases, in order.
    pub phases: Vec<String>,
    /// Where live updates go on from.
    pub version: String,
    /// Regulators, for the live script: their numbers.
    pub regulators: Vec<i32>,
}

/// The phases as they are now; a part of the page that is also fetched alone.
#[derive(Debug, Clone, Template)]
#[template(path = "site_present.html")]
pub struct Present {
    /// One a regulator.
    pub phases: Vec<Phase>,
    /// One a quantity: its name, and a cell for each regulator.
    pub rows: Vec<Facts>,
}

/// Head of one regulator's column.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Phase {
    /// The regulator.
    pub id: i32,
    /// Phase, with the bank where there are several.
    pub name: String,
    /// How it is.
    pub state: State,
    /// Age of its reading, and when it was measured on the site's clock.
    pub age: String,
    /// The same as a full instant.
    pub measured: String,
    /// Its values are old.
    pub old: bool,
    /// Open alarms.
    pub alarms: Vec<Mark>,
}

/// One line of a table with a column a regulator.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Facts {
    /// What it is.
    pub name: &'static str,
    /// The values, in the order of the regulators.
    pub cells: Vec<Cell>,
}

/// What one quantity did over the range.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Summary {
    /// Quantity and unit.
    pub name: &'static str,
    /// For each regulator: "lowest / mean / highest", or a dash and a word.
    pub cells: Vec<Cell>,
}

/// An alarm within the range.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PastAlarm {
    /// Its number.
    pub id: i64,
    /// Which regulator, or the endpoint.
    pub whose: String,
    /// What was wrong.
    pub title: &'static str,
    /// How urgent.
    pub level: &'static str,
    /// The priority's word.
    pub word: &'static str,
    /// Since when, on the site's clock.
    pub raised: String,
    /// Until when, on the site's clock, unless it is still open.
    pub returned: Option<String>,
    /// One line with the numbers.
    pub summary: String,
}

/// Alarms in the table at most; the rest are on the page of alarms.
const MOST_ALARMS: usize = 25;

impl Site {
    /// The newest alarms of the range.
    fn newest_alarms(&self) -> &[PastAlarm] {
        &self.alarms[..self.alarms.len().min(MOST_ALARMS)]
    }

    /// The regulators' numbers as the script reads them.
    #[must_use]
    pub fn regulator_list(&self) -> String {
        self.regulators.iter().map(ToString::to_string).collect::<Vec<_>>().join(",")
    }
}

/// An instant in an address: RFC 3339, seconds, UTC.
#[must_use]
pub fn instant(at: &Timestamp) -> String {
    at.format("%Y-%m-%dT%H:%M:%SZ").to_string()
}
