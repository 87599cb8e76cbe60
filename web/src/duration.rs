//! Lengths of time as people write them: "90 s", "15 min", "24 h", "30 d".
//!
//! What [`text`] writes, [`seconds`] reads back as the same number.

use crate::words::{NotRead, number, plain};

/// How a length of time may be written, for hints and refusals.
pub const FORMS: &str = "written as in 90 s, 15 min, 24 h or 30 d; a number alone is seconds";

/// Units from the longest down: symbol, seconds, other ways to write it.
const UNITS: [(&str, f64, &[&str]); 4] = [
    ("d", 86_400.0, &["day", "days"]),
    ("h", 3600.0, &["hr", "hrs", "hour", "hours"]),
    ("min", 60.0, &["m", "mins", "minute", "minutes"]),
    ("s", 1.0, &["sec", "secs", "second", "seconds"]),
];

/// Above this count a longer unit reads better: "119 s", but "2 min 30 s".
const MOST: f64 = 120.0;

/// A number of seconds in words: in one unit where that is exact and short, otherwise in several ("2 d 1 h").
/// A day is "24 h", as people say of limits and delays; two are "2 d".
#[must_use]
pub fn text(seconds: f64) -> String {
    if !seconds.is_finite() || seconds < 0.0 {
        return part(seconds, "s");
    }
    let in_one = UNITS.iter().find(|(symbol, length, _)| {
        let least = if *symbol == "d" { 2.0 } else { 1.0 };
        seconds >= least * length && seconds % length == 0.0
    });
    match in_one {
        Some((symbol, length, _)) if seconds / length < MOST || *symbol == "d" => {
            part(seconds / length, symbol)
        }
        None if seconds < MOST => part(seconds, "s"),
        _ => in_several(seconds),
    }
}

fn in_several(seconds: f64) -> String {
    let mut rest = seconds;
    let mut parts = Vec::new();
    for (symbol, length, _) in UNITS {
        let count = if symbol == "s" { rest } else { (rest / length).floor() };
        if count > 0.0 {
            parts.push(part(count, symbol));
        }
        rest -= count * length;
    }
    parts.join(" ")
}

/// The number stays with its unit at the end of a line.
fn part(count: f64, symbol: &str) -> String {
    format!("{}\u{a0}{symbol}", plain(count))
}

/// The seconds that someone wrote, alone or with units, the longest first.
///
/// # Errors
/// When it is no length of time, or a comma could mean two things.
pub fn seconds(text: &str) -> Result<f64, NotRead> {
    if !text.contains(char::is_alphabetic) {
        return number(text);
    }
    let (mut total, mut shorter_than) = (0.0, f64::INFINITY);
    let mut rest = text.trim();
    while !rest.is_empty() {
        let (count, after) = split(rest, |c| !c.is_alphabetic());
        let (unit, after) = split(after, char::is_alphabetic);
        let length = length_of(unit).filter(|length| *length < shorter_than).ok_or(NotRead::Nonsense)?;
        let count = number(count)?;
        if count < 0.0 {
            return Err(NotRead::Nonsense);
        }
        total += count * length;
        shorter_than = length;
        rest = after.trim_start();
    }
    Ok(total)
}

/// The longest beginning whose characters all fit, and what follows.
fn split(text: &str, fits: impl Fn(char) -> bool) -> (&str, &str) {
    text.split_at(text.find(|c| !fits(c)).unwrap_or(text.len()))
}

fn length_of(unit: &str) -> Option<f64> {
    let unit = unit.to_lowercase();
    let named =
        |(symbol, _, others): &&(&str, f64, &[&str])| unit == *symbol || others.contains(&unit.as_str());
    UNITS.iter().find(named).map(|(_, length, _)| *length)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn seconds_are_written_as_people_do() {
        for (seconds, words) in [
            (0.0, "0 s"),
            (0.5, "0.5 s"),
            (1.0, "1 s"),
            (60.0, "1 min"),
            (90.0, "90 s"),
            (119.0, "119 s"),
            (120.0, "2 min"),
            (150.0, "2 min 30 s"),
            (900.0, "15 min"),
            (3600.0, "1 h"),
            (3601.0, "1 h 1 s"),
            (5400.0, "90 min"),
            (9000.0, "2 h 30 min"),
            (86_399.0, "23 h 59 min 59 s"),
            (86_400.0, "24 h"),
            (129_600.0, "36 h"),
            (172_800.0, "2 d"),
            (176_400.0, "49 h"),
            (604_800.0, "7 d"),
            (619_200.0, "7 d 4 h"),
            (2_592_000.0, "30 d"),
            (31_536_000.0, "365 d"),
        ] {
            assert_eq!(text(seconds).replace('\u{a0}', " "), words);
        }
        assert_eq!(text(-5.0), "-5\u{a0}s");
        assert_eq!(text(f64::INFINITY), "inf\u{a0}s");
    }

    #[test]
    fn what_people_write_is_read() {
        for (words, expected) in [
            ("90", 90.0),
            (" 86400 ", 86_400.0),
            ("0", 0.0),
            ("0.5", 0.5),
            ("90 s", 90.0),
            ("90s", 90.0),
            ("15 min", 900.0),
            ("15\u{a0}min", 900.0),
            ("15m", 900.0),
            ("2 Minutes", 120.0),
            ("1.5 h", 5400.0),
            ("1,5 h", 5400.0),
            ("24 h", 86_400.0),
            ("30 d", 2_592_000.0),
            ("1 day", 86_400.0),
            ("1 h 30 min", 5400.0),
            ("1h30min", 5400.0),
            ("2 d 1 h 0 min 5 s", 176_405.0),
        ] {
            assert_eq!(seconds(words), Ok(expected), "{words}");
        }
    }

    #[test]
    fn what_could_be_misread_is_refused() {
        let nonsense = [
            "",
            " ",
            "soon",
            "h",
            "15 parsecs",
            "1 h 30",
            "30 min 1 h",
            "1 h 1 h",
            "-5 s",
            "1 - 2 h",
            "1:30",
            "1e3",
            "NaN",
            "inf",
            "5 s!",
            "1 h, 5 min",
            "+ s",
        ];
        for words in nonsense {
            assert_eq!(seconds(words), Err(NotRead::Nonsense), "{words}");
        }
        for words in ["1,500", "1,500 s", "2 h 1,500 s"] {
            assert_eq!(seconds(words), Err(NotRead::TwoWays), "{words}");
        }
    }

    #[test]
    fn what_is_written_is_read_back_the_same() {
        let whole = (0..200_000).chain((200_000..3_000_000).step_by(977)).map(f64::from);
        for length in whole.chain([0.25, 0.5, 59.5, 90.75, 3600.5, 86_400.125, 604_799.5]) {
            assert_eq!(seconds(&text(length)), Ok(length), "{}", text(length));
        }
    }
}
