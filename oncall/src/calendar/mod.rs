//! A person's turns as an iCalendar feed (RFC 5545), for any calendar program to subscribe to.
//!
//! Times are UTC, so that no time zone needs to be described. A turn keeps its UID as long as it begins at the same instant, so that a calendar
//! that fetches the feed again moves its end and does not show it twice. The lines are written by the crate `icalendar`, which folds at 75 octets
//! (section 3.1), ends them with CRLF, and escapes text (section 3.3.11); it would put in the clock and chance where DTSTAMP or UID
//! are missing, so both are always given.

use chrono::{DateTime, Utc};
use icalendar::{Calendar, Component, Event, EventLike, Property};

use crate::rota::{LevelNumber, Turn};

/// A turn, and where it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry<'a> {
    /// The number under which the rota is stored.
    pub rota: i32,
    /// The name of the area that the rota is for, as people know it.
    pub area: &'a str,
    /// Which level.
    pub level: LevelNumber,
    /// From when to when. Whole, as [`crate::rota::Rota::turns`] gives them.
    pub turn: Turn,
}

/// What stands at the head of a feed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Heading<'a> {
    /// What the calendar is called.
    pub name: &'a str,
    /// The host that the feed is from, which makes a turn's UID the world's only one (section 3.8.4.7).
    pub host: &'a str,
    /// When the feed is made (DTSTAMP).
    pub made_at: DateTime<Utc>,
}

/// The feed, as `text/calendar; charset=utf-8`.
#[must_use]
pub fn feed<'a>(heading: &Heading<'_>, entries: impl IntoIterator<Item = Entry<'a>>) -> String {
    let mut calendar = Calendar::empty();
    calendar.append_property(Property::new("VERSION", "2.0"));
    calendar.append_property(Property::new("PRODID", "-//Tapkeeper//On call//EN"));
    calendar.append_property(Property::new("CALSCALE", "GREGORIAN"));
    calendar.append_property(Property::new("METHOD", "PUBLISH"));
    calendar.name(&plain(heading.name));
    for entry in entries {
        calendar.push(event(heading, &entry));
    }
    calendar.to_string()
}

fn event(heading: &Heading<'_>, entry: &Entry<'_>) -> Event {
    let Entry { rota, area, level, turn } = entry;
    let begins = turn.from.format("%Y%m%dT%H%M%SZ");
    let uid = format!("rota-{rota}-level-{level}-{begins}@{}", plain(heading.host));
    Event::new()
        .uid(&uid)
        .timestamp(heading.made_at)
        .starts(turn.from)
        .ends(turn.to)
        .summary(&plain(&format!("On call, level {level}: {area}")))
        .done()
}

/// Text that a content line can hold: line ends as a line feed, which is then escaped, and no other control characters but the tab (section 3.1).
fn plain(text: &str) -> String {
    let text = text.replace("\r\n", "\n").replace('\r', "\n");
    text.chars().filter(|c| !c.is_control() || matches!(c, '\n' | '\t')).collect()
}

#[cfg(test)]
mod tests;
