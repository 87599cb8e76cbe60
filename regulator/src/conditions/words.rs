//! Numbers in words, for summaries and facts.

use super::Fact;

/// One fact.
pub(super) fn fact(label: &str, value: f64, unit: &str) -> Fact {
    Fact { label: label.to_owned(), value, unit: unit.to_owned() }
}

/// Seconds as people say them, to two figures or so: "90 s", "5 min", "2.5 h", "3 d".
pub(super) fn span(seconds: f64) -> String {
    let (value, unit) = match seconds {
        s if s < 120.0 => (s, "s"),
        s if s < 7200.0 => (s / 60.0, "min"),
        s if s < 172_800.0 => (s / 3600.0, "h"),
        s => (s / 86_400.0, "d"),
    };
    let digits = usize::from(unit != "s" && value < 10.0);
    format!("{} {unit}", number(value, digits))
}

/// A number with at most so many decimals, none of them a trailing zero.
pub(super) fn number(value: f64, digits: usize) -> String {
    let text = format!("{value:.digits$}");
    let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

/// A count, for facts.
#[allow(clippy::cast_precision_loss, reason = "counts are small")]
pub(super) const fn count(n: u64) -> f64 {
    n as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_and_numbers_read_as_people_write_them() {
        let spans = [10.0, 90.0, 200.0, 300.0, 5400.0, 9000.0, 86_400.0, 604_800.0].map(span);
        assert_eq!(spans, ["10 s", "90 s", "3.3 min", "5 min", "90 min", "2.5 h", "24 h", "7 d"]);
        assert_eq!(number(114.0, 2), "114");
        assert_eq!(number(112.95, 1), "113");
        assert_eq!(number(-0.04, 1), "0");
        assert_eq!(number(100.0, 0), "100");
    }
}
