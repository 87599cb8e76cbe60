//! The handover of a shift: one page, to be read on a screen or on paper, that says how things stand and what happened since the last.
//!
//! A handover that is recorded keeps its [`Sheet`] as it was, so that it can be read again years later word for word.

use askama::Template;
use chrono_tz::Tz;
use regulator::Timestamp;
use serde::{Deserialize, Serialize};

use crate::frame::Frame;

/// Longest text of a handover, in characters.
pub const LONGEST: usize = 4000;

/// One alarm in a few words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Line {
    /// Its number.
    pub id: i64,
    /// Its priority's word.
    pub priority: String,
    /// What is wrong.
    pub title: String,
    /// Where.
    pub place: String,
    /// One line with the numbers.
    pub summary: String,
    /// Since when, on the place's clock.
    pub since: String,
    /// How it stands: who acknowledged it, who holds it, until when and why.
    pub standing: Vec<String>,
}

/// A maintenance window in a few words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct WindowLine {
    /// Its number.
    pub id: i32,
    /// Where.
    pub place: String,
    /// From when to when.
    pub span: String,
    /// Open or planned.
    pub standing: String,
    /// Why.
    pub reason: String,
    /// Who planned it.
    pub person: String,
}

/// Something that a person did or wrote.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Said {
    /// When, on the clock of the place.
    pub at: String,
    /// Who.
    pub person: String,
    /// What about: words, and the address of its page.
    pub about: (String, String),
    /// What they did: acknowledged, shelved ...; nothing for a note.
    #[serde(default)]
    pub what: String,
    /// What they wrote.
    pub text: String,
}

/// Alarms of one state.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Part {
    /// How many there are.
    pub count: i64,
    /// The most urgent of them.
    pub lines: Vec<Line>,
}

/// How things stand, and what happened since the last handover.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Sheet {
    /// Open alarms.
    pub open: Part,
    /// Returned, and nobody has acknowledged them.
    pub returned: Part,
    /// Shelved.
    pub shelved: Part,
    /// Out of service.
    pub out_of_service: Part,
    /// Suppressed by design.
    pub suppressed: Part,
    /// Maintenance windows that are open or begin within a day.
    pub windows: Vec<WindowLine>,
    /// Notes since the last handover.
    pub notes: Vec<Said>,
    /// What people did to alarms since then.
    pub deeds: Vec<Said>,
    /// Alarms raised since then.
    pub raised: i64,
    /// Alarms that returned since then.
    pub returned_since: i64,
}

impl Sheet {
    /// The parts with their titles, and the state that the list of alarms knows them by.
    fn parts(&self) -> [(&'static str, &'static str, &Part); 5] {
        [
            ("Open alarms", "open", &self.open),
            ("Returned, nobody has acknowledged them", "returned", &self.returned),
            ("Shelved", "shelved", &self.shelved),
            ("Out of service", "out_of_service", &self.out_of_service),
            ("Suppressed by design", "suppressed", &self.suppressed),
        ]
    }
}

impl Part {
    /// How many had no room.
    fn more(&self) -> i64 {
        self.count - i64::try_from(self.lines.len()).unwrap_or(i64::MAX)
    }
}

/// A handover that was recorded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recorded {
    /// Its number.
    pub id: i64,
    /// When.
    pub at: Timestamp,
    /// Who handed over.
    pub person: String,
    /// What they said.
    pub text: String,
}

/// The page: how things stand now, or a handover as it was.
#[derive(Debug, Template)]
#[template(path = "handover.html")]
pub struct HandoverPage {
    /// What surrounds it.
    pub frame: Frame,
    /// The sheet.
    pub sheet: Sheet,
    /// The period begins: with the handover before, if there was one.
    pub from: Timestamp,
    /// There was one.
    pub follows_one: bool,
    /// It ends.
    pub to: Timestamp,
    /// Who is on call, in words, where that is known.
    pub on_call: Vec<String>,
    /// The handover, where it was recorded.
    pub recorded: Option<Recorded>,
    /// Others, newest first.
    pub others: Vec<Recorded>,
    /// The zone of most of the fleet.
    pub zone: Tz,
    /// The text typed before, where it was refused.
    pub typed: String,
    /// Why it was refused.
    pub error: Option<String>,
}
