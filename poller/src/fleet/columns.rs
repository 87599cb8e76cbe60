//! The columns of a fleet file.

/// One column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Column {
    pub(super) name: &'static str,
    pub(super) required: bool,
}

const fn required(name: &'static str) -> Column {
    Column { name, required: true }
}

const fn optional(name: &'static str) -> Column {
    Column { name, required: false }
}

/// All columns, in the order in which they are exported.
pub(super) const COLUMNS: [Column; 30] = [
    required("substation"),
    required("feeder"),
    required("site"),
    optional("fed_from"),
    optional("bank"),
    optional("connection"),
    required("phase"),
    required("kva"),
    required("rated_current_a"),
    required("rated_voltage_v"),
    required("pt_ratio"),
    required("ct_ratio"),
    optional("voltage_base_v"),
    optional("step_count"),
    optional("tap_min"),
    optional("tap_max"),
    optional("winding_type"),
    required("endpoint"),
    required("unit"),
    optional("position"),
    required("profile"),
    optional("poll_interval_s"),
    optional("master_address"),
    optional("integrity_interval_s"),
    optional("event_polls"),
    optional("unsolicited"),
    optional("time_sync"),
    optional("latitude"),
    optional("longitude"),
    required("time_zone"),
];

/// The column that somebody who wrote `name` most likely meant.
pub(super) fn nearest(name: &str) -> Option<&'static str> {
    let plain = name.to_ascii_lowercase().replace([' ', '-', '.'], "_");
    let candidates = COLUMNS.iter().map(|c| (distance(&plain, c.name), c.name));
    candidates.min().filter(|(distance, name)| *distance <= 1 + name.len() / 4).map(|(_, name)| name)
}

/// How many letters to add, drop or change to make one word the other (Levenshtein's distance).
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, y) in b.iter().enumerate() {
            let change = diagonal + usize::from(x != *y);
            diagonal = row[j + 1];
            row[j + 1] = change.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_misspelt_column_is_recognised_and_a_foreign_one_is_not() {
        assert_eq!(nearest("Time Zone"), Some("time_zone"));
        assert_eq!(nearest("latitde"), Some("latitude"));
        assert_eq!(nearest("KVA"), Some("kva"));
        assert_eq!(nearest("colour"), None);
    }
}
