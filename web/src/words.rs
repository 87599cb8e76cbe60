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
}
