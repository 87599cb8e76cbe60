//! The points of a trend as CSV, just as the charts show them.

use std::fmt::Write as _;

use chrono_tz::Tz;

use super::{Resolution, Series, series::Column};

const NAMES: [&str; super::series::COLUMNS] = ["load_voltage_v", "current_a", "real_power_kw", "tap"];

/// The first line. Buckets have their lowest and highest beside the mean; a tap's is the last of the bucket.
pub(super) fn head(resolution: Resolution) -> String {
    let mut text = "regulator,utc,local".to_owned();
    for name in NAMES {
        match resolution {
            Resolution::Readings => append(&mut text, format_args!(",{name}")),
            _ => append(&mut text, format_args!(",{name},{name}_lowest,{name}_highest")),
        }
    }
    text.push_str("\r\n");
    text
}

/// The lines of one regulator. A value that is missing or not good is an empty field; gaps have no line.
pub(super) fn write(text: &mut String, name: &str, series: &Series, zone: Tz) {
    for (i, ms) in series.t.iter().enumerate() {
        if series.columns.iter().all(|c| c.value.get(i).copied().flatten().is_none()) {
            continue;
        }
        let Some(at) = chrono::DateTime::from_timestamp_millis(*ms) else { continue };
        let local = at.with_timezone(&zone);
        append(
            text,
            format_args!(
                "{},{},{}",
                field(name),
                at.format("%Y-%m-%dT%H:%M:%S%.3fZ"),
                local.format("%Y-%m-%d %H:%M:%S%.3f")
            ),
        );
        for Column { value, min, max } in &series.columns {
            for values in [value, min, max].into_iter().filter(|v| !v.is_empty()) {
                text.push(',');
                if let Some(v) = values.get(i).copied().flatten() {
                    append(text, format_args!("{v}"));
                }
            }
        }
        text.push_str("\r\n");
    }
}

/// A text field as RFC 4180 wants it; a leading sign that spreadsheets would take for a formula is disarmed.
pub(in crate::pages) fn field(text: &str) -> String {
    let text =
        if text.starts_with(['=', '+', '-', '@', '\t']) { format!("'{text}") } else { text.to_owned() };
    if text.contains([',', '"', '\n', '\r']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text }
}

fn append(text: &mut String, part: std::fmt::Arguments<'_>) {
    text.write_fmt(part).expect("a string takes everything");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_missing_value_is_an_empty_field() {
        let mut series = Series::default();
        let at = |s| chrono::DateTime::from_timestamp(s, 0).unwrap();
        series.push(at(0), [Some(120.5), None, Some(-3.0), Some(4.0)]);
        series.push(at(10), [None; 4]);
        let mut text = head(Resolution::Readings);
        write(&mut text, "Bank 1, A", &series, Tz::America__Chicago);
        assert_eq!(
            text,
            "regulator,utc,local,load_voltage_v,current_a,real_power_kw,tap\r\n\
             \"Bank 1, A\",1970-01-01T00:00:00.000Z,1969-12-31 18:00:00.000,120.5,,-3,4\r\n"
        );
        assert_eq!(field("=1+1"), "'=1+1");
    }
}
