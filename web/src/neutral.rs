//! The neutral evidence sheet of one regulator, and the history of its tap audit.
//!
//! Both show evidence from records. No word on them permits anything.

use askama::Template;
use chrono::TimeDelta;
use chrono_tz::Tz;
use regulator::{
    Timestamp,
    evidence::{self, Overall, Says},
};

use crate::{board::age, frame::Frame, site::Strip, words};

/// A sheet is out of date so long after it was made.
pub const GOOD_FOR: TimeDelta = TimeDelta::seconds(60);

/// Where a regulator is and what it is called.
#[derive(Debug, Clone)]
pub struct Whose {
    /// Its number.
    pub id: i32,
    /// Phase, with the bank where there are several.
    pub name: String,
    /// Its site.
    pub site: String,
    /// The site's number.
    pub site_id: i32,
    /// Substation and feeder.
    pub place: String,
    /// The site's zone.
    pub zone: Tz,
}

/// One line of the sheet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Item {
    /// What it is.
    pub title: &'static str,
    /// What it says of neutral, where it can say anything.
    pub says: Option<Says>,
    /// The numbers.
    pub detail: String,
    /// Quality of what it rests on, in words.
    pub quality: &'static str,
    /// Age of what it rests on, seconds.
    pub age_s: Option<i64>,
}

impl Item {
    /// A witness, in the site's time.
    #[must_use]
    pub fn of(item: &evidence::Item, zone: Tz) -> Self {
        Self {
            title: item.what.title(),
            says: (!item.what.is_context()).then_some(item.says),
            detail: local_times(&item.detail, zone),
            quality: item.quality.title(),
            age_s: item.age_s,
        }
    }

    fn stance(&self) -> &'static str {
        match self.says {
            Some(Says::ForNeutral) => "fits neutral",
            Some(Says::AgainstNeutral) => "does not fit neutral",
            Some(Says::Silent) => "tells neither way",
            None => "for context",
        }
    }

    fn old(&self) -> String {
        self.age_s.map_or_else(|| "no reading".to_owned(), |s| format!("{} old", age(s)))
    }
}

/// The sheet.
#[derive(Debug, Template)]
#[template(path = "neutral.html")]
pub struct NeutralPage {
    /// What surrounds it.
    pub frame: Frame,
    /// Which regulator.
    pub whose: Whose,
    /// The other regulators of its bank: number and name.
    pub others: Vec<(i32, String)>,
    /// When the sheet was made.
    pub made_at: Timestamp,
    /// What the records say together.
    pub overall: Overall,
    /// The witnesses.
    pub items: Vec<Item>,
    /// What else is known: voltages, operations since neutral, power.
    pub context: Vec<Item>,
    /// What the tap audit rests on.
    pub audit_basis: String,
}

impl NeutralPage {
    fn until(&self) -> Timestamp {
        self.made_at + GOOD_FOR
    }

    fn caution(&self) -> &'static str {
        evidence::CAUTION
    }

    fn verify(&self) -> &'static [&'static str] {
        evidence::VERIFY
    }
}

/// The tap audit over a span.
#[derive(Debug, Template)]
#[template(path = "audit.html")]
pub struct AuditPage {
    /// What surrounds it.
    pub frame: Frame,
    /// Which regulator.
    pub whose: Whose,
    /// Length of the span, days.
    pub days: i64,
    /// Lengths to choose from.
    pub choices: &'static [i64],
    /// What the audit that runs with detection says, in words; nothing where it has not begun.
    pub live: Option<String>,
    /// What a replay of the span alone says.
    pub replayed: String,
    /// Implied less reported.
    pub strip: Strip,
    /// The same as numbers, by day.
    pub rows: Vec<AuditDay>,
    /// Offset that the accuracy of the two voltages can explain, steps.
    pub bound_steps: f64,
    /// Accuracy classes of the two voltages, per cent: source, load.
    pub classes_percent: (f64, f64),
    /// Readings taken.
    pub readings: usize,
    /// What was left out, if anything.
    pub cut: Option<String>,
}

impl AuditPage {
    fn is(&self, days: &i64) -> bool {
        self.days == *days
    }
}

/// One day of the audit.
#[derive(Debug, Clone, PartialEq)]
pub struct AuditDay {
    /// The day at the site.
    pub day: String,
    /// Mean, lowest and highest hourly mean, steps.
    pub offset: (f64, f64, f64),
    /// Readings that were compared.
    pub readings: u32,
}

impl AuditDay {
    fn steps(&self, value: &f64) -> String {
        let text = crate::board::number(*value, 2, "");
        if *value > 0.004 { format!("+{text}") } else { text }
    }

    fn count(&self) -> String {
        words::count(self.readings.into())
    }
}

/// Rewrites instants written as `2026-01-02 03:04 UTC` in a site's zone: a sheet that is read out has one clock.
#[must_use]
pub fn local_times(text: &str, zone: Tz) -> String {
    const FORM: &str = "%Y-%m-%d %H:%M UTC";
    const LENGTH: usize = "2026-01-02 03:04 UTC".len();
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(end) = rest.find(" UTC").map(|at| at + " UTC".len()) {
        let (head, tail) = rest.split_at(end);
        let written = head.len().checked_sub(LENGTH).and_then(|begin| head.get(begin..));
        match written.and_then(|w| chrono::NaiveDateTime::parse_from_str(w, FORM).ok()) {
            Some(at) => {
                out.push_str(&head[..head.len() - LENGTH]);
                out.push_str(&at.and_utc().with_timezone(&zone).format("%Y-%m-%d %H:%M %Z").to_string());
            }
            None => out.push_str(head),
        }
        rest = tail;
    }
    out.push_str(rest);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn instants_in_a_text_are_told_in_the_sites_time() {
        let zone = chrono_tz::America::Denver;
        let text = "slipped, since 2026-07-01 18:05 UTC; never UTC; ends 2026-01-01 03:00 UTC";
        let expected = "slipped, since 2026-07-01 12:05 MDT; never UTC; ends 2025-12-31 20:00 MST";
        assert_eq!(local_times(text, zone), expected);
        assert_eq!(local_times("−0.1 V UTC", zone), "−0.1 V UTC");
    }
}
