//! How a DNP3 control is spoken to, and how that is written in fleet files and stored.

use std::fmt::Write as _;
use std::time::Duration;

use dnp3::master::{Classes, EventPoll, TimeSync};
use dnp3::objects::Class;

/// How a DNP3 control is spoken to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LinkSettings {
    /// Link address of this master.
    pub master: u16,
    /// Time from one poll of everything to the next.
    pub integrity: Duration,
    /// Which events to ask for how often; all of them at the unit's interval if empty.
    pub event_polls: Vec<EventPoll>,
    /// Events that it may report by itself.
    pub unsolicited: Classes,
    /// How to set its clock when it asks for the time.
    pub time_sync: TimeSync,
}

impl Default for LinkSettings {
    fn default() -> Self {
        Self {
            master: 1,
            integrity: Duration::from_secs(3600),
            event_polls: vec![],
            unsolicited: Classes::default(),
            time_sync: TimeSync::Never,
        }
    }
}

/// Periods that events may be asked for in.
const PERIODS: std::ops::RangeInclusive<Duration> = Duration::from_millis(100)..=Duration::from_secs(86_400);
const TIME_SYNCS: [(&str, TimeSync); 3] =
    [("never", TimeSync::Never), ("lan", TimeSync::Lan), ("non_lan", TimeSync::NonLan)];

impl LinkSettings {
    /// The names of [`TimeSync`].
    pub(crate) const TIME_SYNCS: [&str; 3] = [TIME_SYNCS[0].0, TIME_SYNCS[1].0, TIME_SYNCS[2].0];

    /// From the columns of the table `regulator`; none if they hold what their checks do not allow.
    pub(crate) fn from_columns(
        master_address: i32,
        integrity_interval_ms: i32,
        event_polls: &str,
        unsolicited: &str,
        time_sync: &str,
    ) -> Option<Self> {
        Some(Self {
            master: u16::try_from(master_address).ok()?,
            integrity: Duration::from_millis(u64::try_from(integrity_interval_ms).ok()?),
            event_polls: event_polls_from(event_polls).ok()?,
            unsolicited: classes_from(unsolicited).ok()?,
            time_sync: time_sync_from(time_sync)?,
        })
    }
}

/// Classes of events such as `1,2,3`, none if empty; or what is wrong.
pub(crate) fn classes_from(text: &str) -> Result<Classes, String> {
    let mut found = vec![];
    for part in text.split(',').map(str::trim).filter(|_| !text.trim().is_empty()) {
        let class = match part {
            "1" => Class::One,
            "2" => Class::Two,
            "3" => Class::Three,
            _ => return Err(format!("'{part}' is not a class of events")),
        };
        if found.contains(&class) {
            return Err(format!("class {part} is there twice"));
        }
        found.push(class);
    }
    Ok(Classes::of(&found))
}

/// The same, written.
pub(crate) fn classes_text(classes: Classes) -> String {
    let named = ["1", "2", "3"].into_iter().zip(Class::EVENTS);
    let there: Vec<_> = named.filter(|(_, class)| classes.contains(*class)).map(|(name, _)| name).collect();
    there.join(",")
}

/// Polls of events such as `1@10s 2,3@60s`, none if empty; or what is wrong.
pub(crate) fn event_polls_from(text: &str) -> Result<Vec<EventPoll>, String> {
    let mut polls: Vec<EventPoll> = vec![];
    for part in text.split_whitespace() {
        let (classes, period) =
            part.split_once('@').ok_or_else(|| format!("'{part}' has no @ before its period"))?;
        let classes = classes_from(classes)?;
        if classes.is_empty() {
            return Err(format!("'{part}' names no class"));
        }
        let twice =
            |class: &Class| classes.contains(*class) && polls.iter().any(|p| p.classes.contains(*class));
        if Class::EVENTS.iter().any(twice) {
            return Err(format!("'{part}' asks for a class that is asked for already"));
        }
        polls.push(EventPoll { classes, period: period_from(period)? });
    }
    Ok(polls)
}

fn period_from(text: &str) -> Result<Duration, String> {
    let number = text.trim_end_matches(|c: char| c.is_ascii_alphabetic());
    let unit_ms = match &text[number.len()..] {
        "ms" => 1,
        "s" => 1000,
        "min" => 60_000,
        "h" => 3_600_000,
        _ => return Err(format!("'{text}' is not a period in ms, s, min or h")),
    };
    let ms = number.parse::<u64>().ok().and_then(|n| n.checked_mul(unit_ms));
    let period = Duration::from_millis(ms.ok_or_else(|| format!("'{number}' is not a whole number"))?);
    if PERIODS.contains(&period) { Ok(period) } else { Err(format!("'{text}' is not from 100ms to 24h")) }
}

/// The same, written in one way: in seconds, or in milliseconds where it must be.
pub(crate) fn event_polls_text(polls: &[EventPoll]) -> String {
    let mut text = String::new();
    for poll in polls {
        let (gap, ms) = (if text.is_empty() { "" } else { " " }, poll.period.as_millis());
        let (period, unit) = if ms % 1000 == 0 { (ms / 1000, "s") } else { (ms, "ms") };
        // writing into memory cannot fail
        let _ = write!(text, "{gap}{}@{period}{unit}", classes_text(poll.classes));
    }
    text
}

/// The setting of this name, if there is one.
pub(crate) fn time_sync_from(name: &str) -> Option<TimeSync> {
    TIME_SYNCS.iter().find(|(known, _)| *known == name).map(|(_, sync)| *sync)
}

/// The name of a setting.
pub(crate) const fn time_sync_name(sync: TimeSync) -> &'static str {
    match sync {
        TimeSync::Never => TIME_SYNCS[0].0,
        TimeSync::Lan => TIME_SYNCS[1].0,
        TimeSync::NonLan => TIME_SYNCS[2].0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn polls_of_events_read_and_are_written_in_one_way() {
        for (text, written) in [
            ("", ""),
            ("1@10s 2,3@60s", "1@10s 2,3@60s"),
            ("  3,2@1min   1@500ms ", "2,3@60s 1@500ms"),
            ("1,2,3@24h", "1,2,3@86400s"),
        ] {
            let polls = event_polls_from(text).unwrap();
            assert_eq!(event_polls_text(&polls), written);
            assert_eq!(event_polls_from(written), Ok(polls));
        }
        let one = EventPoll { classes: Classes::of(&[Class::One]), period: Duration::from_secs(10) };
        assert_eq!(event_polls_from("1@10s"), Ok(vec![one]));
    }

    #[test]
    fn wrong_polls_of_events_say_why() {
        for (text, why) in [
            ("1", "'1' has no @"),
            ("@10s", "names no class"),
            ("0@10s", "'0' is not a class of events"),
            ("1,1@10s", "class 1 is there twice"),
            ("1@10s 1,2@60s", "'1,2@60s' asks for a class that is asked for already"),
            ("1@10", "'10' is not a period in ms, s, min or h"),
            ("1@s", "'' is not a whole number"),
            ("1@1.5s", "'1.5' is not a whole number"),
            ("1@-1s", "'-1' is not a whole number"),
            ("1@50ms", "is not from 100ms to 24h"),
            ("1@25h", "is not from 100ms to 24h"),
            ("1@99999999999999999999h", "is not a whole number"),
            ("1@9999999999999999999h", "is not a whole number"),
        ] {
            let error = event_polls_from(text).unwrap_err();
            assert!(error.contains(why), "{text}: {error}");
        }
    }

    #[test]
    fn settings_read_from_columns_as_they_are_written() {
        let settings = LinkSettings {
            master: 65_519,
            integrity: Duration::from_secs(60),
            event_polls: event_polls_from("1@1s").unwrap(),
            unsolicited: classes_from("1, 3").unwrap(),
            time_sync: TimeSync::NonLan,
        };
        assert_eq!(classes_text(settings.unsolicited), "1,3");
        assert_eq!(LinkSettings::from_columns(65_519, 60_000, "1@1s", "1,3", "non_lan"), Some(settings));
        assert_eq!(LinkSettings::from_columns(1, 3_600_000, "", "", "never"), Some(LinkSettings::default()));
        assert_eq!(LinkSettings::from_columns(1, 3_600_000, "", "4", "never"), None);
        for name in LinkSettings::TIME_SYNCS {
            assert_eq!(time_sync_from(name).map(time_sync_name), Some(name));
        }
    }
}
