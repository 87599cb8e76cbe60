//! Maintenance windows: planned work during which alarms of a place are kept and marked, and announced only if they still stand
//! when it is over.

use askama::Template;
use chrono_tz::Tz;
use regulator::Timestamp;

use crate::{alarms, frame::Frame, thresholds::Places, words};

/// How a window stands at an instant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// It has not begun.
    Planned,
    /// It is now.
    Open,
    /// It is over by its time.
    Past,
    /// It was ended before its time.
    EndedEarly,
    /// It was called off before it began.
    CalledOff,
}

impl Standing {
    /// In words.
    #[must_use]
    pub const fn title(self) -> &'static str {
        match self {
            Self::Planned => "planned",
            Self::Open => "open",
            Self::Past => "past",
            Self::EndedEarly => "ended early",
            Self::CalledOff => "called off",
        }
    }

    /// Whether there is still something to end.
    #[must_use]
    pub const fn can_end(self) -> bool {
        matches!(self, Self::Planned | Self::Open)
    }

    /// Whether it ever was.
    #[must_use]
    pub const fn ever_opened(self) -> bool {
        !matches!(self, Self::Planned | Self::CalledOff)
    }
}

/// One window.
#[derive(Debug, Clone)]
pub struct Window {
    /// Its number.
    pub id: i32,
    /// Of which place, in words.
    pub place: String,
    /// Where the place has a page of its own.
    pub href: Option<String>,
    /// Begins.
    pub from: Timestamp,
    /// Ends, as planned.
    pub to: Timestamp,
    /// Why.
    pub reason: String,
    /// Who planned it, and when.
    pub person: String,
    /// When it was planned.
    pub created_at: Timestamp,
    /// When it was ended before its time, and by whom.
    pub ended: Option<(Timestamp, String)>,
    /// The place's zone.
    pub zone: Tz,
}

impl Window {
    /// How it stands.
    #[must_use]
    pub fn standing(&self, now: &Timestamp) -> Standing {
        match &self.ended {
            Some((at, _)) if *at <= self.from => Standing::CalledOff,
            Some(_) => Standing::EndedEarly,
            None if *now < self.from => Standing::Planned,
            None if *now < self.to => Standing::Open,
            None => Standing::Past,
        }
    }

    /// When it ended or will end.
    #[must_use]
    pub fn end(&self) -> Timestamp {
        self.ended.as_ref().map_or(self.to, |(at, _)| (*at).min(self.to))
    }

    /// From when to when, on the place's clock: the day is said once where it is one day.
    #[must_use]
    pub fn span(&self) -> String {
        let (from, to) =
            (self.from.with_timezone(&self.zone), self.end().max(self.from).with_timezone(&self.zone));
        let end = if from.date_naive() == to.date_naive() { "%H:%M %Z" } else { "%Y-%m-%d %H:%M %Z" };
        format!("{} to {}", from.format("%Y-%m-%d %H:%M"), to.format(end))
    }

    /// How long it lasts.
    #[must_use]
    pub fn length(&self) -> String {
        words::span(self.end().max(self.from) - self.from)
    }
}

/// Which field of the form is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs, reason = "the names of the fields")]
pub enum Field {
    Scope,
    From,
    To,
    Reason,
}

/// What was typed.
#[derive(Debug, Clone, Default)]
#[allow(missing_docs, reason = "the names of the fields")]
pub struct Typed {
    pub scope: String,
    pub from: String,
    pub to: String,
    pub reason: String,
}

/// All windows, and the form.
#[derive(Debug, Template)]
#[template(path = "windows.html")]
pub struct WindowsPage {
    /// What surrounds it.
    pub frame: Frame,
    /// Open ones first, then planned ones as they come, then past ones, the newest first.
    pub windows: Vec<Window>,
    /// Where one can be planned.
    pub places: Vec<Places>,
    /// What was typed, or is suggested.
    pub typed: Typed,
    /// Why it was refused.
    pub fault: Option<(Field, String)>,
    /// Now.
    pub now: Timestamp,
}

impl WindowsPage {
    fn fault_of(&self, field: Field) -> Option<&str> {
        self.fault.as_ref().filter(|(of, _)| *of == field).map(|(_, why)| why.as_str())
    }

    fn scope_fault(&self) -> Option<&str> {
        self.fault_of(Field::Scope)
    }

    fn start_fault(&self) -> Option<&str> {
        self.fault_of(Field::From)
    }

    fn end_fault(&self) -> Option<&str> {
        self.fault_of(Field::To)
    }

    fn reason_fault(&self) -> Option<&str> {
        self.fault_of(Field::Reason)
    }

    /// The windows in their three parts: title, and what to say of none.
    fn parts(&self) -> [(&'static str, &'static str, Vec<&Window>); 3] {
        let of = |wanted: fn(Standing) -> bool| {
            self.windows.iter().filter(|w| wanted(w.standing(&self.now))).collect::<Vec<_>>()
        };
        [
            ("Open now", "None is open.", of(|s| s == Standing::Open)),
            ("Planned", "None is planned.", of(|s| s == Standing::Planned)),
            ("Past", "None yet.", of(|s| !s.can_end())),
        ]
    }
}

/// One window, with the alarms that were raised inside.
#[derive(Debug, Template)]
#[template(path = "window.html")]
pub struct WindowPage {
    /// What surrounds it.
    pub frame: Frame,
    /// The window.
    pub window: Window,
    /// Alarms of the place that were raised in its time, in order of time.
    pub raised: Vec<alarms::Row>,
    /// There are more.
    pub more: bool,
    /// Now.
    pub now: Timestamp,
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::TimeDelta;

    #[test]
    fn a_window_is_planned_open_past_or_ended_by_someone() {
        let at = |h: i64| Timestamp::UNIX_EPOCH + TimeDelta::hours(h);
        let window = |ended: Option<i64>| Window {
            id: 1,
            place: String::new(),
            href: None,
            from: at(10),
            to: at(14),
            reason: String::new(),
            person: String::new(),
            created_at: at(0),
            ended: ended.map(|h| (at(h), "Ola".into())),
            zone: Tz::UTC,
        };
        let standing = |ended, now| window(ended).standing(&at(now));
        assert_eq!(
            [9, 10, 13, 14].map(|now| standing(None, now)),
            [Standing::Planned, Standing::Open, Standing::Open, Standing::Past]
        );
        assert_eq!(
            (standing(Some(8), 9), standing(Some(12), 13)),
            (Standing::CalledOff, Standing::EndedEarly)
        );
        assert_eq!(window(Some(12)).span(), "1970-01-01 10:00 to 12:00 UTC");
        assert_eq!(
            (window(Some(8)).length(), window(None).length()),
            ("0 s".to_owned(), "4 h 00 min".to_owned())
        );
    }
}
