//! Short text for logs of counts: states are stored as JSON after each pass, and rows of long numbers made up most of them.
//!
//! Entries are parted by blanks. Each says how far its place (a minute, an hour, a day) is from that of the one before, the first one from 0; then,
//! after colons, its values; then, after a star, how many such entries follow each other. Minutes: `29453760:2 4*7 9:3`, where a count of one is left
//! out; hours: `491671:15:6:6:7 1`, where values that are all zero are; days: `20454:60:86390.5`. What an older program wrote, rows or objects, is
//! read as well.

use std::collections::VecDeque;
use std::str::Split;

use serde::{Deserialize, Deserializer, Serializer, de::Error};

/// More entries of one kind than a day has minutes are no log of ours.
const MOST_TIMES: usize = 1440;

/// Whether this need not be stored, because it is what a missing field stands for.
pub(super) fn is_default<T: Default + PartialEq>(it: &T) -> bool {
    *it == T::default()
}

/// What may be stored.
#[derive(Deserialize)]
#[serde(untagged)]
enum Stored<T> {
    Text(String),
    Rows(VecDeque<T>),
}

/// Places with the text of their values, each after a colon.
fn text(rows: impl Iterator<Item = (i64, String)>) -> String {
    let mut before = 0;
    let entries: Vec<_> = rows
        .map(|(place, values)| {
            let gap = place - std::mem::replace(&mut before, place);
            format!("{gap}{values}")
        })
        .collect();
    let alike = entries.chunk_by(|a, b| a == b);
    let words = alike.map(|alike| match alike {
        [one] => one.clone(),
        many => format!("{}*{}", many[0], many.len()),
    });
    words.collect::<Vec<_>>().join(" ")
}

/// What is stored; from text each row is made of its place and its values.
fn rows<'de, D: Deserializer<'de>, T: Deserialize<'de>>(
    from: D,
    make: impl Fn(i64, &mut Split<'_, char>) -> Option<T>,
) -> Result<VecDeque<T>, D::Error> {
    let text = match Stored::deserialize(from)? {
        Stored::Rows(rows) => return Ok(rows),
        Stored::Text(text) => text,
    };
    let (mut rows, mut place) = (VecDeque::new(), 0_i64);
    let mut add = |entry: &str| {
        let (entry, times) = entry.split_once('*').unwrap_or((entry, "1"));
        for _ in 0..times.parse().ok().filter(|times| *times <= MOST_TIMES)? {
            let mut parts = entry.split(':');
            place = place.checked_add(parts.next()?.parse().ok()?)?;
            rows.push_back(make(place, &mut parts).filter(|_| parts.next().is_none())?);
        }
        Some(())
    };
    for entry in text.split(' ').filter(|entry| !entry.is_empty()) {
        add(entry).ok_or_else(|| D::Error::custom(format!("“{entry}” is no entry of a log")))?;
    }
    Ok(rows)
}

/// Minutes, or other pieces of time, with their counts.
pub(super) mod minutes {
    use super::{Deserializer, Serializer, VecDeque, rows, text};

    pub(in super::super) fn serialize<S: Serializer>(
        minutes: &VecDeque<(i64, u64)>,
        to: S,
    ) -> Result<S::Ok, S::Error> {
        let count = |n: u64| if n == 1 { String::new() } else { format!(":{n}") };
        to.serialize_str(&text(minutes.iter().map(|(minute, n)| (*minute, count(*n)))))
    }

    pub(in super::super) fn deserialize<'de, D: Deserializer<'de>>(
        from: D,
    ) -> Result<VecDeque<(i64, u64)>, D::Error> {
        rows(from, |minute, values| Some((minute, values.next().unwrap_or("1").parse().ok()?)))
    }
}

/// Hours with ramps and what followed them.
pub(super) mod hours {
    use super::super::cloud_driven_tapping::Hour;
    use super::{Deserializer, Serializer, VecDeque, rows, text};

    pub(in super::super) fn serialize<S: Serializer>(
        hours: &VecDeque<Hour>,
        to: S,
    ) -> Result<S::Ok, S::Error> {
        let values = |Hour(_, a, b, c, d): &Hour| match (a, b, c, d) {
            (0, 0, 0, 0) => String::new(),
            _ => format!(":{a}:{b}:{c}:{d}"),
        };
        to.serialize_str(&text(hours.iter().map(|hour| (hour.0, values(hour)))))
    }

    pub(in super::super) fn deserialize<'de, D: Deserializer<'de>>(
        from: D,
    ) -> Result<VecDeque<Hour>, D::Error> {
        rows(from, |hour, values| {
            let Some(first) = values.next() else { return Some(Hour(hour, 0, 0, 0, 0)) };
            let (a, b) = (first.parse().ok()?, values.next()?.parse().ok()?);
            Some(Hour(hour, a, b, values.next()?.parse().ok()?, values.next()?.parse().ok()?))
        })
    }
}

/// Days with operations and seconds covered.
pub(super) mod days {
    use super::super::excess_tapping::Day;
    use super::{Deserializer, Serializer, VecDeque, rows, text};

    pub(in super::super) fn serialize<S: Serializer>(days: &VecDeque<Day>, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(&text(days.iter().map(|d| (d.day, format!(":{}:{}", d.operations, d.covered_s)))))
    }

    pub(in super::super) fn deserialize<'de, D: Deserializer<'de>>(
        from: D,
    ) -> Result<VecDeque<Day>, D::Error> {
        rows(from, |day, values| {
            let operations = values.next()?.parse().ok()?;
            let covered_s = values.next()?.parse().ok().filter(|s: &f64| s.is_finite())?;
            Some(Day { day, operations, covered_s })
        })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::cloud_driven_tapping::CloudDrivenTapping;
    use super::super::excess_tapping::ExcessTapping;

    fn stored(state: &ExcessTapping) -> serde_json::Value {
        serde_json::to_value(state).unwrap()
    }

    fn loaded(
        minutes: &serde_json::Value,
        days: &serde_json::Value,
    ) -> Result<ExcessTapping, serde_json::Error> {
        serde_json::from_value(serde_json::json!({ "in_day": 7, "minutes": minutes, "days": days }))
    }

    /// Written out by hand, in the form of before and in that of now.
    #[test]
    fn rows_of_an_older_program_are_read_and_written_short() {
        let rows = serde_json::json!([[29_453_760, 2], [29_453_764, 1], [29_453_768, 1], [29_453_777, 3]]);
        let days = serde_json::json!([
            { "day": 20_454, "operations": 60, "covered_s": 86_390.5 },
            { "day": 20_456, "operations": 0, "covered_s": 0.0 },
        ]);
        let old = loaded(&rows, &days).unwrap();
        assert_eq!(stored(&old)["minutes"], "29453760:2 4*2 9:3");
        assert_eq!(stored(&old)["days"], "20454:60:86390.5 2:0:0");
        assert_eq!(loaded(&stored(&old)["minutes"], &stored(&old)["days"]).unwrap(), old);
        let empty = loaded(&"".into(), &"".into()).unwrap();
        assert_eq!(empty, loaded(&serde_json::json!([]), &serde_json::json!([])).unwrap());
    }

    #[test]
    fn hours_of_an_older_program_are_read_too() {
        let rows = serde_json::json!({ "hours": [[491_664, 0, 0, 0, 0], [491_665, 0, 0, 0, 0], [491_667, 15, 6, 6, 7]] });
        let old: CloudDrivenTapping = serde_json::from_value(rows).unwrap();
        let now = serde_json::to_value(&old).unwrap();
        assert_eq!(now["hours"], "491664 1 2:15:6:6:7");
        assert_eq!(serde_json::from_value::<CloudDrivenTapping>(now).unwrap(), old);
    }

    #[test]
    fn nonsense_is_refused() {
        for minutes in ["x", "1:", "1*", "1*1441", "1:-2", "9223372036854775807 1"] {
            assert!(loaded(&minutes.into(), &"".into()).is_err(), "{minutes}");
        }
        for days in ["1", "1:2", "1:2:3:4", "1:2:inf"] {
            assert!(loaded(&"".into(), &days.into()).is_err(), "{days}");
        }
    }

    proptest! {
        #[test]
        fn short_and_long_tell_the_same(
            first in -1000_i64..40_000_000, steps in prop::collection::vec((1_i64..5, 1_u64..4), 0..300),
            days in prop::collection::vec((1_i64..3, 0_u64..5000, 0.0..86_400.0_f64), 0..31),
        ) {
            let mut minute = first;
            let rows: Vec<_> = steps.iter().map(|(gap, n)| { minute += gap; (minute, *n) }).collect();
            let mut day = 20_000;
            let days: Vec<_> = days
                .iter()
                .map(|(gap, n, s)| { day += gap; serde_json::json!({ "day": day, "operations": n, "covered_s": s }) })
                .collect();
            let old = loaded(&serde_json::to_value(rows).unwrap(), &days.into()).unwrap();
            let text = serde_json::to_string(&old).unwrap();
            prop_assert_eq!(serde_json::from_str::<ExcessTapping>(&text).unwrap(), old);
        }
    }
}
