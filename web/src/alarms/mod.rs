//! Alarms: the list, and one alarm with all that is known of it.

mod filter;
mod state;

use askama::Template;
use chrono_tz::Tz;
use regulator::{
    TimeSource, Timestamp,
    alarms::State,
    conditions::{Condition, Priority},
};

pub use filter::{Filter, Position, Show};
pub use state::state_of;

use crate::{
    board::{Cell, Choice},
    frame::Frame,
    words,
};

/// One alarm in the list.
#[derive(Debug, Clone)]
pub struct Row {
    /// Its number.
    pub id: i64,
    /// What is wrong.
    pub condition: Condition,
    /// How urgent it is.
    pub priority: Priority,
    /// Its state.
    pub state: State,
    /// Where, in words.
    pub place: String,
    /// The site's page, where it is at a site.
    pub site_id: Option<i32>,
    /// One line with the numbers.
    pub summary: String,
    /// When it was raised.
    pub raised_at: Timestamp,
    /// When it returned to normal.
    pub returned_at: Option<Timestamp>,
    /// The site's zone.
    pub zone: Tz,
    /// Who acknowledged it.
    pub acknowledged_by: Option<String>,
}

impl Row {
    /// How long it has been, or was, true.
    #[must_use]
    pub fn length(&self, now: &Timestamp) -> String {
        words::span(self.returned_at.unwrap_or(*now) - self.raised_at)
    }
}

/// The list.
#[derive(Debug, Template)]
#[template(path = "alarms.html")]
pub struct AlarmsPage {
    /// What surrounds it.
    pub frame: Frame,
    /// What was asked for.
    pub filter: Filter,
    /// Open alarms that nobody has acknowledged.
    pub unacknowledged: i64,
    /// Open alarms that someone has.
    pub acknowledged: i64,
    /// The alarms, in order.
    pub rows: Vec<Row>,
    /// Address of the next page.
    pub next: Option<String>,
    /// The instant that lengths are counted to.
    pub now: Timestamp,
}

impl AlarmsPage {
    fn states(&self) -> Vec<Choice> {
        Show::ALL.iter().map(|&show| choice(show.key(), show.title(), show == self.filter.show)).collect()
    }

    fn conditions(&self) -> Vec<Choice> {
        Condition::all().map(|c| choice(c.name(), c.title(), self.filter.condition == Some(c))).collect()
    }

    fn priorities(&self) -> Vec<Choice> {
        let all = Priority::ALL.iter().rev();
        all.map(|&p| choice(p.title(), p.title(), self.filter.priority == Some(p))).collect()
    }
}

fn choice(value: &str, title: &str, chosen: bool) -> Choice {
    Choice { value: value.to_owned(), title: title.to_owned(), chosen }
}

/// One number of the evidence.
#[derive(Debug, Clone)]
pub struct Evidence {
    /// What it is.
    pub label: String,
    /// The number with its unit.
    pub value: String,
}

/// A reading around the time it was raised.
#[derive(Debug, Clone)]
pub struct ReadingRow {
    /// When it was measured.
    pub at: Timestamp,
    /// By whose clock.
    pub source: TimeSource,
    /// Measured when the alarm was already true.
    pub after: bool,
    /// Its values in the order of [`READING_TITLES`].
    pub cells: Vec<Cell>,
}

/// Headings of [`ReadingRow::cells`].
pub const READING_TITLES: &[&str] =
    &["Load voltage", "Source voltage", "Current", "Real power", "Tap", "Operations", "Automatic"];

/// A step of its life.
#[derive(Debug, Clone)]
pub struct Step {
    /// Raised, returned, acknowledged.
    pub what: String,
    /// When, by the readings' clock.
    pub at: Timestamp,
    /// When it was written down.
    pub recorded_at: Timestamp,
    /// Who did it.
    pub person: Option<String>,
    /// What they noted.
    pub note: Option<String>,
}

/// One message to one recipient by one way.
#[derive(Debug, Clone)]
pub struct Message {
    /// Who was told.
    pub recipient: String,
    /// By which way, in words.
    pub way: &'static str,
    /// Of which step.
    pub of: String,
    /// What became of it, in words.
    pub outcome: String,
    /// It did not arrive.
    pub failed: bool,
    /// Each attempt.
    pub attempts: Vec<Attempt>,
}

/// One attempt to deliver a message.
#[derive(Debug, Clone)]
pub struct Attempt {
    /// When.
    pub at: Timestamp,
    /// What came of it.
    pub outcome: String,
    /// What the other side said.
    pub detail: String,
}

/// One alarm.
#[derive(Debug, Template)]
#[template(path = "alarm.html")]
pub struct AlarmPage {
    /// What surrounds it.
    pub frame: Frame,
    /// The alarm.
    pub alarm: Row,
    /// The regulator it is about, or the first of the bank.
    pub regulator_id: Option<i32>,
    /// When it was acknowledged.
    pub acknowledged_at: Option<Timestamp>,
    /// What was noted.
    pub note: Option<String>,
    /// The numbers that led to it.
    pub evidence: Vec<Evidence>,
    /// Readings around the time it was raised; none for an endpoint or a poller.
    pub readings: Vec<ReadingRow>,
    /// The steps of its life.
    pub steps: Vec<Step>,
    /// Who was told.
    pub messages: Vec<Message>,
    /// The note typed before, where it was refused.
    pub typed: String,
    /// Why it was refused.
    pub error: Option<String>,
    /// The instant that lengths are counted to.
    pub now: Timestamp,
}

impl AlarmPage {
    /// Whether what the alarm suggests could lead someone to touch equipment.
    #[must_use]
    pub fn touches_equipment(&self) -> bool {
        self.alarm.condition.touches_equipment()
    }

    fn may_acknowledge(&self) -> bool {
        self.acknowledged_at.is_none() && self.frame.viewer.as_ref().is_some_and(|v| v.may_operate)
    }
}
