//! Alarms: the list, and one alarm with all that is known of it.

mod filter;
mod groups;
mod state;

use askama::Template;
use chrono_tz::Tz;
use regulator::{
    TimeSource, Timestamp,
    alarms::State,
    conditions::{Condition, Priority},
};

pub use filter::{Filter, Position, Show};
pub use groups::{Group, Item, MOST_LINES, grouped};
pub use state::state_of;

use crate::{
    board::{Cell, Choice},
    duration,
    frame::Frame,
    notes::Note,
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
    /// What kept it from people when it was raised, in words.
    pub held_why: Option<String>,
    /// What keeps it from people now.
    pub holds: Vec<Held>,
    /// There is something to acknowledge.
    pub acknowledgeable: bool,
}

/// Something that keeps an alarm from people.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Held {
    /// Which state of the standard it makes.
    pub state: State,
    /// Who did it; nobody for what a rule does.
    pub by: Option<String>,
    /// Why.
    pub why: String,
    /// Since when, where that is kept.
    pub since: Option<Timestamp>,
    /// When it ends by itself; otherwise with its reason, or by a person.
    pub until: Option<Timestamp>,
}

impl Held {
    fn ends(&self) -> &'static str {
        match self.state {
            State::OutOfService => "until someone puts it back",
            _ => "until its reason is over",
        }
    }
}

impl Row {
    /// How it was raised, where that was behind something that kept it from people: "raised during maintenance".
    #[must_use]
    pub fn raised_mark(&self) -> Option<&'static str> {
        let why = self.held_why.as_deref()?;
        Some(match () {
            () if why.contains("under maintenance") => "raised during maintenance",
            () if why.contains("out of service by") => "raised while out of service",
            () if why.contains("shelved by") => "raised while shelved",
            () => "raised while suppressed by design",
        })
    }

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
    /// How many there are of each state that calls for a look.
    pub counts: Counts,
    /// Substations to choose from.
    pub substations: Vec<Choice>,
    /// The alarms, in order.
    pub rows: Vec<Row>,
    /// The open ones in few lines, where that was asked for.
    pub groups: Option<Vec<Group>>,
    /// Everything that can be acknowledged is ticked.
    pub ticked: bool,
    /// The note typed before, where it was refused.
    pub typed: String,
    /// Why it was refused.
    pub error: Option<String>,
    /// Address of the next page.
    pub next: Option<String>,
    /// The instant that lengths are counted to.
    pub now: Timestamp,
}

/// How many alarms are in each state.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
#[allow(missing_docs, reason = "the standard's states")]
pub struct Counts {
    pub unacknowledged: i64,
    pub acknowledged: i64,
    pub returned: i64,
    pub shelved: i64,
    pub suppressed: i64,
    pub out_of_service: i64,
}

impl AlarmsPage {
    /// Each count with the list that it counts.
    fn counted(&self) -> [(Show, i64); 6] {
        let c = &self.counts;
        [
            (Show::Unacknowledged, c.unacknowledged),
            (Show::Acknowledged, c.acknowledged),
            (Show::ReturnedUnacknowledged, c.returned),
            (Show::Shelved, c.shelved),
            (Show::Suppressed, c.suppressed),
            (Show::OutOfService, c.out_of_service),
        ]
    }

    fn is_here(&self, show: &Show) -> bool {
        *show == self.filter.show && self.groups.is_none()
    }

    fn is_past(&self) -> bool {
        self.is_here(&Show::Past)
    }

    /// There is something here to acknowledge, and the viewer may.
    fn may_acknowledge(&self) -> bool {
        let may = self.frame.viewer.as_ref().is_some_and(|v| v.may_operate);
        may && self.rows.iter().any(|row| row.acknowledgeable)
    }

    /// This list with everything ticked.
    fn all_ticked(&self) -> String {
        let href = self.filter.href();
        format!("{href}{}tick=all", if href.contains('?') { '&' } else { '?' })
    }

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
    /// Raised, returned, acknowledged, shelved ...
    pub what: String,
    /// When, by the readings' clock.
    pub at: Timestamp,
    /// When it was written down.
    pub recorded_at: Timestamp,
    /// Who did it.
    pub person: Option<String>,
    /// What they noted, or why it was done.
    pub note: Option<String>,
    /// Of shelving: until when.
    pub until: Option<Timestamp>,
}

impl Step {
    /// It was written down long enough after it happened to be worth telling.
    fn is_late(&self) -> bool {
        (self.recorded_at - self.at).num_seconds() >= 120
    }
}

/// How far calling people about it has come.
#[derive(Debug, Clone)]
pub struct Calling {
    /// The rota that it goes by; none where none covers the place.
    pub rota: Option<String>,
    /// When the next step is due, if one is.
    pub next_at: Option<Timestamp>,
    /// When and why it ended.
    pub stopped: Option<(Timestamp, &'static str)>,
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
    /// When people were first told of it.
    pub announced_at: Option<Timestamp>,
    /// When it was acknowledged.
    pub acknowledged_at: Option<Timestamp>,
    /// What was noted.
    pub note: Option<String>,
    /// The latest alarm of the same condition and place, where it is not this one.
    pub latest: Option<i64>,
    /// Longest time on the shelf, seconds.
    pub shelf_s: i32,
    /// The numbers that led to it.
    pub evidence: Vec<Evidence>,
    /// Readings around the time it was raised; none for an endpoint or a poller.
    pub readings: Vec<ReadingRow>,
    /// The steps of its life.
    pub steps: Vec<Step>,
    /// Who was told.
    pub messages: Vec<Message>,
    /// The latest calling of those on call, if there was one.
    pub calling: Option<Calling>,
    /// What people wrote down about it, newest first.
    pub notes: Vec<Note>,
    /// What was typed before, where it was refused.
    pub typed: Typed,
    /// Why it was refused, and at which field that is said.
    pub fault: Option<(Deed, String)>,
    /// The instant that lengths are counted to.
    pub now: Timestamp,
}

/// What someone typed on an alarm's page.
#[derive(Debug, Clone, Default)]
#[allow(missing_docs, reason = "the names of the fields")]
pub struct Typed {
    pub note: String,
    pub reason: String,
    pub length: String,
    pub other: String,
    pub text: String,
}

/// What a person does to an alarm: each has a form of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Deed {
    /// Its note.
    Acknowledge,
    /// Its reason.
    Shelve,
    /// For how long.
    ShelveFor,
    /// Its reason.
    TakeOut,
    /// A note by itself.
    Note,
}

/// Lengths of time on the shelf to choose from, seconds.
const LENGTHS_S: [i32; 8] = [900, 1800, 3600, 4 * 3600, 8 * 3600, 24 * 3600, 3 * 86_400, 7 * 86_400];

impl AlarmPage {
    /// Whether what the alarm suggests could lead someone to touch equipment.
    #[must_use]
    pub fn touches_equipment(&self) -> bool {
        self.alarm.condition.touches_equipment()
    }

    fn may_operate(&self) -> bool {
        self.frame.viewer.as_ref().is_some_and(|v| v.may_operate)
    }

    fn is_held(&self, state: State) -> bool {
        self.alarm.holds.iter().any(|held| held.state == state)
    }

    fn is_shelved(&self) -> bool {
        self.is_held(State::Shelved)
    }

    fn is_out(&self) -> bool {
        self.is_held(State::OutOfService)
    }

    /// What is wrong with what was typed there.
    fn fault_of(&self, deed: Deed) -> Option<&str> {
        self.fault.as_ref().filter(|(of, _)| *of == deed).map(|(_, why)| why.as_str())
    }

    fn ack_fault(&self) -> Option<&str> {
        self.fault_of(Deed::Acknowledge)
    }

    fn shelve_fault(&self) -> Option<&str> {
        self.fault_of(Deed::Shelve)
    }

    fn length_fault(&self) -> Option<&str> {
        self.fault_of(Deed::ShelveFor)
    }

    fn out_fault(&self) -> Option<&str> {
        self.fault_of(Deed::TakeOut)
    }

    fn note_fault(&self) -> Option<&str> {
        self.fault_of(Deed::Note)
    }

    fn lengths(&self) -> Vec<Choice> {
        let fits = LENGTHS_S.iter().filter(|s| **s <= self.shelf_s);
        fits.map(|s| choice(&s.to_string(), &duration::text((*s).into()), self.typed.length == s.to_string()))
            .collect()
    }

    fn longest(&self) -> String {
        duration::text(self.shelf_s.into())
    }

    /// How the time to respond stands: "respond within 15 minutes, by ..." is the template's; this is what came of it.
    fn response(&self) -> Option<String> {
        let told = self.announced_at?;
        let within = self.alarm.condition.respond_within();
        Some(match (self.acknowledged_at, self.alarm.returned_at) {
            (Some(at), _) if at - told <= within => {
                format!("acknowledged after {}, in time", words::span(at - told))
            }
            (Some(at), _) => format!("acknowledged after {}, late", words::span(at - told)),
            (None, Some(at)) => {
                format!("it returned after {}, before anyone acknowledged it", words::span(at - told))
            }
            (None, None) if self.now < told + within => {
                format!("{} left", words::span(told + within - self.now))
            }
            (None, None) => format!("over for {}", words::span(self.now - told - within)),
        })
    }

    fn respond_by(&self) -> Option<Timestamp> {
        self.announced_at.map(|told| told + self.alarm.condition.respond_within())
    }
}
