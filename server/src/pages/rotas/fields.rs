//! A form as it was sent: names may come more than once.

use chrono::{LocalResult, NaiveDate, NaiveDateTime, NaiveTime, TimeZone};
use chrono_tz::Tz;

/// What a form carries, in its order.
#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(transparent)]
pub(in crate::pages) struct Fields(Vec<(String, String)>);

impl Fields {
    /// The first value of a name, trimmed; empty when there is none.
    pub(in crate::pages) fn one(&self, name: &str) -> &str {
        self.0.iter().find(|(n, _)| n == name).map_or("", |(_, value)| value.trim())
    }

    /// Every value of a name, trimmed, in order.
    pub(in crate::pages) fn all<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a str> {
        self.0.iter().filter(move |(n, _)| n == name).map(|(_, value)| value.trim())
    }

    /// A value that is there and not empty.
    pub(in crate::pages) fn some(&self, name: &str) -> Option<String> {
        Some(self.one(name).to_owned()).filter(|value| !value.is_empty())
    }
}

/// A date as browsers send it.
pub(super) fn date(text: &str, what: &str) -> Result<NaiveDate, String> {
    text.parse().map_err(|_| format!("{what}: “{text}” is not a date; write it as in 2026-11-30."))
}

/// A time of day as browsers send it.
pub(in crate::pages) fn time(text: &str, what: &str) -> Result<NaiveTime, String> {
    let forms = ["%H:%M", "%H:%M:%S"];
    let read = forms.iter().find_map(|form| NaiveTime::parse_from_str(text, form).ok());
    read.ok_or_else(|| format!("{what}: “{text}” is not a time of day; write it as in 08:00."))
}

/// A local date and time as browsers send it.
pub(super) fn local(text: &str, what: &str) -> Result<NaiveDateTime, String> {
    let forms = ["%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M:%S"];
    let read = forms.iter().find_map(|form| NaiveDateTime::parse_from_str(text, form).ok());
    read.ok_or_else(|| format!("{what}: “{text}” is not a date and time; write it as in 2026-11-30T08:00."))
}

/// A name of the time zone database.
pub(in crate::pages) fn zone(text: &str) -> Result<Tz, String> {
    text.parse().map_err(|_| {
        format!("“{text}” is not a time zone; give a name such as America/Denver or Europe/Dublin.")
    })
}

/// What is odd about a local time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Odd {
    /// The clocks go forward over it.
    Skipped,
    /// The clocks go back over it.
    Twice,
}

/// Whether a local time does not exist, or comes twice.
pub(super) fn odd(zone: Tz, local: NaiveDateTime) -> Option<Odd> {
    match zone.from_local_datetime(&local) {
        LocalResult::Single(_) => None,
        LocalResult::None => Some(Odd::Skipped),
        LocalResult::Ambiguous(..) => Some(Odd::Twice),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The United States change their clocks on the second Sunday of March and the first of November (Energy Policy Act of 2005, section 110).
    #[test]
    fn the_hours_at_which_clocks_change_are_odd() {
        let denver = chrono_tz::America::Denver;
        let told = |text| odd(denver, local(text, "From").unwrap());
        assert_eq!(told("2027-03-14T02:30"), Some(Odd::Skipped));
        assert_eq!(told("2026-11-01T01:30"), Some(Odd::Twice));
        assert_eq!(told("2026-11-01T02:30"), None);
    }

    #[test]
    fn what_cannot_be_read_is_named_with_the_remedy() {
        assert!(local("monday", "From").unwrap_err().starts_with("From: “monday” is not"));
        assert!(time("25:00", "Handover").is_err() && time("08:00", "Handover").is_ok());
        assert!(date("30.11.2026", "Date").is_err() && zone("Denver").is_err());
    }
}
