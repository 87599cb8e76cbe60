//! How one person is reached, when they are left alone, and their calendar.

use askama::Template;

use crate::{
    board::Choice,
    frame::Frame,
    people::{NewSecret, Tried, Ways},
};

/// Quiet hours, as typed.
#[derive(Debug, Clone, Default)]
pub struct Quiet {
    /// Whether there are any.
    pub on: bool,
    /// The local time at which they begin.
    pub from: String,
    /// The local time at which they end.
    pub to: String,
    /// Up to which priority messages wait.
    pub up_to: Vec<Choice>,
    /// The days on which they begin.
    pub days: Vec<Choice>,
    /// Their zone.
    pub zone: String,
}

/// A turn of the person.
#[derive(Debug, Clone)]
pub struct OwnTurn {
    /// The rota's page.
    pub href: String,
    /// The area, in words.
    pub area: String,
    /// Which level.
    pub level: u8,
    /// From when, in the rota's zone.
    pub from: String,
    /// Until when, in the rota's zone.
    pub to: String,
    /// Whether it has begun.
    pub now: bool,
}

/// The feed of a person's turns.
#[derive(Debug, Clone, Default)]
pub struct Calendar {
    /// Whether there is an address.
    pub exists: bool,
    /// The address that was just made, shown once.
    pub address: Option<String>,
}

/// How a person is reached.
#[derive(Debug, Template)]
#[template(path = "reach.html")]
pub struct ReachPage {
    /// What surrounds it.
    pub frame: Frame,
    /// The person's row.
    pub id: i32,
    /// Their name.
    pub name: String,
    /// Whether the viewer is the person.
    pub own: bool,
    /// The ways.
    pub ways: Ways,
    /// The ways that are stored: name and title.
    pub there: Vec<(&'static str, &'static str)>,
    /// Until when the webhook's secret before the present one is good, in words.
    pub old_until: Option<String>,
    /// Told of every alarm, on call or not.
    pub standing: bool,
    /// Areas to choose from, if so.
    pub areas: Vec<Choice>,
    /// Priorities to choose from, if so.
    pub priorities: Vec<Choice>,
    /// Quiet hours.
    pub quiet: Quiet,
    /// Zones to choose from.
    pub zones: Vec<String>,
    /// Why it was refused.
    pub error: Option<String>,
    /// New secrets, shown once.
    pub secrets: Vec<NewSecret>,
    /// What came of a test.
    pub tried: Vec<Tried>,
    /// Their calendar.
    pub calendar: Calendar,
    /// Their next turns.
    pub turns: Vec<OwnTurn>,
}
