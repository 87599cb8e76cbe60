//! Numbers and times in words, for pages that do not change by themselves.

use chrono::TimeDelta;

/// A length of time in its two largest units: "45 s", "12 min", "3 h 05 min", "4 d 2 h".
#[must_use]
pub fn span(length: TimeDelta) -> String {
    let seconds = length.num_seconds().max(0);
    let (minutes, hours, days) = (seconds / 60, seconds / 3600, seconds / 86_400);
    match seconds {
        0..60 => format!("{seconds} s"),
        60..3600 => format!("{minutes} min"),
        3600..86_400 => format!("{hours} h {:02} min", minutes % 60),
        _ => format!("{days} d {} h", hours % 24),
    }
}

/// A count with its thousands set apart by narrow spaces.
#[must_use]
pub fn count(n: i64) -> String {
    let digits = n.unsigned_abs().to_string();
    let mut text = String::with_capacity(digits.len() * 2);
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            text.push('\u{202f}');
        }
        text.push(digit);
    }
    if n < 0 { format!("−{text}") } else { text }
}

/// A number as people typed or would type it: no more decimals than it needs.
#[must_use]
pub fn plain(value: f64) -> String {
    let text = format!("{value:.6}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

/// Why a number could not be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotRead {
    /// It is none.
    Nonsense,
    /// "1,500" is 1500 to one reader and 1.5 to another.
    TwoWays,
}

/// The number that someone typed, with a decimal point or comma.
///
/// # Errors
/// When it is none, not finite, or its comma may set off thousands.
pub fn number(text: &str) -> Result<f64, NotRead> {
    let text = text.trim();
    let digits = |c: char| matches!(c, '0'..='9' | '.' | ',' | '+' | '-');
    if !text.chars().all(digits) {
        return Err(NotRead::Nonsense);
    }
    let plain = match text.split_once(',') {
        Some((whole, decimals))
            if decimals.len() == 3
                && decimals.bytes().all(|b| b.is_ascii_digit())
                && whole.contains(|c| matches!(c, '1'..='9')) =>
        {
            return Err(NotRead::TwoWays);
        }
        Some((whole, decimals)) if !whole.contains('.') => format!("{whole}.{decimals}"),
        _ => text.to_owned(),
    };
    plain.parse().map_err(|_| NotRead::Nonsense)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_name_their_two_largest_units() {
        for (seconds, words) in [
            (-5, "0 s"),
            (59, "59 s"),
            (60, "1 min"),
            (3600, "1 h 00 min"),
            (11_100, "3 h 05 min"),
            (360_000, "4 d 4 h"),
        ] {
            assert_eq!(span(TimeDelta::seconds(seconds)), words);
        }
    }

    #[test]
    fn large_counts_are_readable_and_numbers_short() {
        assert_eq!(count(1_234_567), "1\u{202f}234\u{202f}567");
        assert_eq!((count(-999).as_str(), count(0).as_str()), ("−999", "0"));
        assert_eq!((plain(114.0).as_str(), plain(0.75).as_str(), plain(-0.0).as_str()), ("114", "0.75", "0"));
    }

    #[test]
    fn typed_numbers_are_read_unless_they_can_mean_two_things() {
        for (text, expected) in [
            ("114", Ok(114.0)),
            (" 113,5 ", Ok(113.5)),
            ("-2.25", Ok(-2.25)),
            ("0,125", Ok(0.125)),
            ("1,5000", Ok(1.5)),
            ("1,500", Err(NotRead::TwoWays)),
            ("1.5,5", Err(NotRead::Nonsense)),
            ("1,5,5", Err(NotRead::Nonsense)),
            ("", Err(NotRead::Nonsense)),
            ("inf", Err(NotRead::Nonsense)),
            ("NaN", Err(NotRead::Nonsense)),
            ("1e3", Err(NotRead::Nonsense)),
            ("12 V", Err(NotRead::Nonsense)),
        ] {
            assert_eq!(number(text), expected, "{text}");
        }
    }
}
