//! What an address asks for: regulator, span, assumptions and settings, each refused beside its field.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDateTime, TimeDelta, TimeZone as _, Utc};
use chrono_tz::Tz;
use regulator::Timestamp;
use regulator::control::ControlSettings;
use regulator::study::SourceVoltage;
use regulator::study::setting::{self, CHOICES, SETTINGS, Setting};
use web::{
    duration,
    words::{self, NotRead},
};

/// The longest span.
pub(super) const LONGEST: TimeDelta = TimeDelta::days(31);
/// The span where none is asked for: a day is read and replayed at once, and the last one is the likeliest to be read finely enough to
/// study.
const USUAL: TimeDelta = TimeDelta::days(1);
/// Names of the columns of settings in an address: present, then those to try.
pub(super) const SLOTS: [&str; 4] = ["p", "a", "b", "c"];
/// How a local time is written.
pub(super) const LOCAL: &str = "%Y-%m-%dT%H:%M:%S";

/// What was typed, by field.
pub(super) type Typed = BTreeMap<String, String>;
/// Why fields were refused.
pub(super) type Faults = BTreeMap<String, String>;

/// What is asked beside the settings.
#[derive(Debug, Clone, Copy)]
pub(super) struct Asked {
    pub(super) from: Timestamp,
    pub(super) to: Timestamp,
    pub(super) load_exponent: f64,
    pub(super) source: SourceVoltage,
    pub(super) power_factor: Option<f64>,
}

/// What was typed into a field; empty where nothing was.
pub(super) fn text<'t>(typed: &'t Typed, name: &str) -> &'t str {
    typed.get(name).map_or("", |text| text.trim())
}

/// Span and assumptions, with what is wrong in `faults`.
pub(super) fn read(typed: &Typed, zone: Tz, now: Timestamp, faults: &mut Faults) -> Asked {
    let (from, to) = span(typed, zone, now, faults);
    let load_exponent = number(typed, "load", (0.0, 2.0), "", faults).unwrap_or(1.0);
    let power_factor = number(typed, "power_factor", (0.0, 1.0), "", faults);
    let source = match text(typed, "source") {
        "" | "rebuilt" => SourceVoltage::Rebuilt,
        "measured" => SourceVoltage::Measured,
        other => {
            faults.insert(
                "source".to_owned(),
                format!("“{other}” is none of the ways; choose one from the list."),
            );
            SourceVoltage::Rebuilt
        }
    };
    Asked { from, to, load_exponent, source, power_factor }
}

fn span(typed: &Typed, zone: Tz, now: Timestamp, faults: &mut Faults) -> (Timestamp, Timestamp) {
    let mut instant = |name: &str| {
        let text = text(typed, name);
        if text.is_empty() {
            return None;
        }
        let at = instant(text, zone);
        if at.is_none() {
            faults.insert(
                name.to_owned(),
                format!("“{text}” is not a time; write it as 2026-03-01T12:00, on the site's clock."),
            );
        }
        at
    };
    let (from, to) = (instant("from"), instant("to"));
    let to_or_now = to.or(from.map(|from| (from + USUAL).min(now))).unwrap_or_else(|| whole_minute(now));
    let (from, to) = (from.unwrap_or(to_or_now - USUAL), to_or_now);
    if faults.contains_key("from") || faults.contains_key("to") {
        return (from, to);
    }
    if from >= to {
        faults.insert("to".to_owned(), "The span ends before it begins; give a later time.".to_owned());
    } else if to - from > LONGEST {
        let days = words::plain((to - from).as_seconds_f64().div_euclid(8640.0) / 10.0);
        faults.insert("to".to_owned(), format!("The span is {days} days; give at most 31."));
    }
    (from, to)
}

fn whole_minute(at: Timestamp) -> Timestamp {
    DateTime::from_timestamp(at.timestamp().div_euclid(60) * 60, 0).unwrap_or(at)
}

/// A time on the site's clock, or with its offset. Of two (when clocks go back) the earlier one.
fn instant(text: &str, zone: Tz) -> Option<Timestamp> {
    if let Ok(at) = DateTime::parse_from_rfc3339(text) {
        return Some(at.with_timezone(&Utc));
    }
    let plain = text.replacen(' ', "T", 1);
    let forms = [LOCAL, "%Y-%m-%dT%H:%M"];
    let local =
        forms.iter().find_map(|form| NaiveDateTime::parse_from_str(&plain, form).ok()).or_else(|| {
            let day = chrono::NaiveDate::parse_from_str(text, "%Y-%m-%d").ok()?;
            day.and_hms_opt(0, 0, 0)
        })?;
    // Years beyond these are typing errors, and beyond what a database takes.
    let sane = (2000..2200).contains(&chrono::Datelike::year(&local));
    let found = zone.from_local_datetime(&local);
    // Where clocks go forward there is no such time; the hour after is meant.
    let at = found.earliest().or_else(|| zone.from_local_datetime(&(local + TimeDelta::hours(1))).earliest());
    at.filter(|_| sane).map(|at| at.with_timezone(&Utc))
}

/// A number within a range; nothing where nothing is typed, or it is refused.
pub(in crate::pages) fn number(
    typed: &Typed,
    name: &str,
    (low, high): (f64, f64),
    unit: &str,
    faults: &mut Faults,
) -> Option<f64> {
    let text = text(typed, name);
    if text.is_empty() {
        return None;
    }
    let range = format!(
        "{} to {}{}{unit}",
        words::plain(low),
        words::plain(high),
        if unit.is_empty() { "" } else { " " }
    );
    let value = if unit == "s" { duration::seconds(text) } else { words::number(&text.replace('−', "-")) };
    let why = match value {
        Ok(value) if (low..=high).contains(&value) => return Some(value),
        Ok(value) => format!("{} is not accepted; give a number from {range}.", words::plain(value)),
        Err(NotRead::TwoWays) => {
            format!("“{text}” can be read in two ways; write it without the comma, from {range}.")
        }
        Err(NotRead::Nonsense) if unit == "s" => {
            format!("“{text}” is not a length of time; give one from {range}, {}.", duration::FORMS)
        }
        Err(NotRead::Nonsense) => {
            format!("“{text}” is not a number; give one from {range}, without its unit.")
        }
    };
    faults.insert(name.to_owned(), why);
    None
}

/// The settings of one column: `base` with what was typed. What is wrong is in `faults`.
pub(super) fn settings(
    typed: &Typed,
    slot: &str,
    base: ControlSettings,
    steps: i32,
    faults: &mut Faults,
) -> ControlSettings {
    let mut settings = base;
    for setting in SETTINGS {
        let name = field(slot, setting.name);
        if let Some(value) = number(typed, &name, (setting.min, setting.max), unit(setting), faults)
            && let Err(why) = setting.put(&mut settings, value)
        {
            faults.insert(name, crate::error::sentence(&why));
        }
    }
    for choice in CHOICES {
        let name = field(slot, choice.name);
        let text = text(typed, &name);
        if !text.is_empty()
            && let Err(why) = choice.put(&mut settings, text)
        {
            faults.insert(name, crate::error::sentence(&why));
        }
    }
    if let Err(misfit) = setting::check(&settings, steps) {
        faults.entry(field(slot, misfit.setting)).or_insert_with(|| crate::error::sentence(&misfit.what));
    }
    settings
}

/// Whether anything is typed for this column.
pub(super) fn is_tried(typed: &Typed, slot: &str) -> bool {
    fields(slot).any(|name| !text(typed, &name).is_empty())
}

/// The fields of one column.
pub(super) fn fields(slot: &str) -> impl Iterator<Item = String> + '_ {
    let names = SETTINGS.iter().map(|s| s.name).chain(CHOICES.iter().map(|c| c.name));
    names.map(move |name| field(slot, name))
}

pub(super) fn field(slot: &str, name: &str) -> String {
    format!("{slot}_{name}")
}

/// A factor is no unit to type.
fn unit(setting: &Setting) -> &'static str {
    if setting.unit == "times" { "" } else { setting.unit }
}

/// The address of a study; fields in a fixed order, empty ones left out.
pub(super) fn address<'t>(fields: impl Iterator<Item = (&'t str, &'t str)>) -> String {
    let pairs: Vec<_> = fields.filter(|(_, value)| !value.is_empty()).collect();
    format!("/study?{}", serde_urlencoded::to_string(pairs).unwrap_or_default())
}
