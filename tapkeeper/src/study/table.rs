//! Readings from a CSV file: any order of columns, names as in files and pages elsewhere, clear words about what is wrong.
//!
//! A time column (`utc`, or `seconds` from any start) and columns named after quantities, with or without their unit: `load_voltage_v` or
//! `load_voltage`. `current_in_phase_a` and `current_lagging_a` stand for the powers. An empty cell is missing, never zero. The trend of a
//! site's page has this layout already. What is not understood in a cell is an error with line and column; a column that is not known is named in a note.

use std::fmt::Write as _;

use chrono::{DateTime, NaiveDateTime, TimeDelta, Utc};
use regulator::{Nameplate, Quantity, Reading, Timestamp};

/// Faults listed before the rest is only counted.
const MOST_FAULTS: usize = 10;

/// Cells that say that there is no value.
const MISSING: [&str; 5] = ["", "-", "na", "nan", "null"];

/// What a file holds.
#[derive(Debug)]
pub(super) struct Readings {
    /// In order of time.
    pub(super) readings: Vec<Reading>,
    /// What had to be passed over or assumed of the file, for people.
    pub(super) notes: Vec<String>,
}

/// What a column is.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Column {
    Utc,
    Seconds,
    Regulator,
    Value(Quantity),
    /// Primary amperes in phase with, or lagging by a quarter turn, the load voltage.
    InPhase,
    Lagging,
    /// Known and of no use here.
    Passed,
}

impl Column {
    fn named(name: &str) -> Option<Self> {
        Some(match name {
            "utc" | "time_utc" | "measured_at" => Self::Utc,
            "seconds" | "time_s" | "seconds_s" => Self::Seconds,
            "regulator" => Self::Regulator,
            "local" => Self::Passed,
            "current_in_phase_a" | "in_phase_a" | "in_phase" => Self::InPhase,
            "current_lagging_a" | "lagging_a" | "lagging" => Self::Lagging,
            "delay" | "delay_s" => Self::Value(Quantity::TimeDelay),
            _ => Self::Value(quantity(name)?),
        })
    }
}

/// A quantity by its name, alone or followed by its unit.
fn quantity(name: &str) -> Option<Quantity> {
    let of = |&&q: &&Quantity| {
        let unit = match q.unit() {
            "%" => "percent".to_owned(),
            unit => unit.to_lowercase(),
        };
        name == q.name() || (!unit.is_empty() && name == format!("{}_{unit}", q.name()))
    };
    Quantity::ALL.iter().find(of).copied()
}

/// What is wrong, in order, as many as people can use.
#[derive(Debug, Default)]
struct Faults {
    text: String,
    count: usize,
}

impl Faults {
    fn add(&mut self, what: std::fmt::Arguments<'_>) {
        self.count += 1;
        if self.count <= MOST_FAULTS {
            self.text.write_fmt(format_args!("\n  {what}")).expect("a string takes everything");
        }
    }

    fn into_result(self, file: &str) -> anyhow::Result<()> {
        anyhow::ensure!(
            self.count == 0,
            "{file} cannot be used as it is:{}{}",
            self.text,
            if self.count > MOST_FAULTS {
                format!("\n  and {} more", self.count - MOST_FAULTS)
            } else {
                String::new()
            }
        );
        Ok(())
    }
}

/// Reads a file. `regulator` chooses among several in it.
pub(super) fn read(
    file: &str,
    bytes: &[u8],
    regulator: Option<&str>,
    nameplate: &Nameplate,
) -> anyhow::Result<Readings> {
    let text = std::str::from_utf8(bytes).map_err(|error| {
        let line = 1 + bytes[..error.valid_up_to()].iter().filter(|b| **b == b'\n').count();
        anyhow::anyhow!("{file}, line {line}: this is not UTF-8 text; save the file as CSV in UTF-8")
    })?;
    let text = text.trim_start_matches('\u{feff}');
    let delimiter = delimiter(text.lines().next().unwrap_or_default());
    let mut reader = csv::ReaderBuilder::new()
        .flexible(true)
        .delimiter(delimiter)
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let header: Vec<String> = reader.headers()?.iter().map(str::to_lowercase).collect();
    let (columns, mut notes) = columns(file, &header)?;
    let mut rows = Rows {
        columns: &columns,
        header: &header,
        decimal_comma: delimiter == b';',
        faults: Faults::default(),
    };
    let mut names: Vec<String> = vec![];
    let mut readings: Vec<Reading> = vec![];
    for record in reader.records() {
        let record = record.map_err(|e| anyhow::anyhow!("{file}: {e}; export it again as CSV"))?;
        let line = record.position().map_or(0, csv::Position::line);
        if record.iter().all(str::is_empty) {
            continue;
        }
        if record.len() != header.len() {
            rows.faults.add(format_args!(
                "line {line}: {} cells, but the header has {}; give every line as many, empty where missing",
                record.len(),
                header.len()
            ));
            continue;
        }
        if let Some(name) = rows.regulator(&record) {
            if !names.iter().any(|n| n == name) {
                names.push(name.to_owned());
            }
            if regulator.is_some_and(|wanted| wanted != name) {
                continue;
            }
        }
        readings.extend(rows.reading(line, &record, nameplate));
    }
    chosen(file, &names, regulator)?;
    rows.faults.into_result(file)?;
    anyhow::ensure!(!readings.is_empty(), "{file} holds no readings; add a line for each below the header");
    put_in_order(&mut readings, &mut notes);
    Ok(Readings { readings, notes })
}

fn delimiter(header: &str) -> u8 {
    let count = |c: char| header.matches(c).count();
    [(b',', count(',')), (b';', count(';')), (b'\t', count('\t'))]
        .into_iter()
        .rev()
        .max_by_key(|(_, n)| *n)
        .map_or(b',', |(d, _)| d)
}

/// What each column is, and notes about those passed over.
fn columns(file: &str, header: &[String]) -> anyhow::Result<(Vec<Column>, Vec<String>)> {
    let mut unknown = vec![];
    let mut columns = vec![];
    for (place, name) in header.iter().enumerate() {
        let column = Column::named(name).unwrap_or_else(|| {
            unknown.push(name.as_str());
            Column::Passed
        });
        if column != Column::Passed && columns.contains(&column) {
            anyhow::bail!(
                "{file}, line 1: column {} “{name}” says the same as one before it; remove one of the two",
                place + 1
            );
        }
        columns.push(column);
    }
    let known = || {
        let quantities = Quantity::ALL.iter().map(|q| q.name()).collect::<Vec<_>>().join(", ");
        format!(
            "known columns are utc, seconds, regulator, current_in_phase, current_lagging, {quantities}, each with or without its unit (load_voltage_v)"
        )
    };
    let has = |column| columns.contains(&column);
    if !has(Column::Utc) && !has(Column::Seconds) {
        anyhow::bail!(
            "{file}, line 1: there is no column with the time; name it utc or seconds. {}",
            known()
        );
    }
    if !has(Column::Value(Quantity::LoadVoltage)) && !has(Column::Value(Quantity::SourceVoltage)) {
        anyhow::bail!("{file}, line 1: there is no column load_voltage_v or source_voltage_v. {}", known());
    }
    let both = has(Column::Value(Quantity::LoadVoltage)) && has(Column::Value(Quantity::SourceVoltage));
    if !has(Column::Value(Quantity::Tap)) && !both {
        anyhow::bail!(
            "{file}, line 1: there is no column tap, and no two voltages to find it from. {}",
            known()
        );
    }
    let mut notes = vec![];
    let (buckets, unknown): (Vec<_>, Vec<_>) =
        unknown.into_iter().partition(|n| n.ends_with("_lowest") || n.ends_with("_highest"));
    if !buckets.is_empty() {
        notes.push(
            "The file holds averages, not readings: what the voltage did within each is not known. Ask for a shorter span to get readings."
                .to_owned(),
        );
    }
    if !unknown.is_empty() {
        notes.push(format!("Columns not known and passed over: {}.", unknown.join(", ")));
    }
    Ok((columns, notes))
}

fn chosen(file: &str, names: &[String], wanted: Option<&str>) -> anyhow::Result<()> {
    let known = names.join("”, “");
    match wanted {
        None if names.len() > 1 => {
            anyhow::bail!("{file} holds several regulators; choose one with --regulator: “{known}”")
        }
        Some(wanted) if names.is_empty() => {
            anyhow::bail!("{file} has no column regulator to find “{wanted}” in; leave --regulator out")
        }
        Some(wanted) if !names.iter().any(|n| n == wanted) => {
            anyhow::bail!("{file} has no regulator “{wanted}”; there is “{known}”")
        }
        _ => Ok(()),
    }
}

fn put_in_order(readings: &mut [Reading], notes: &mut Vec<String>) {
    if !readings.is_sorted_by_key(|r| r.measured_at) {
        readings.sort_by_key(|r| r.measured_at);
        notes.push("Lines were not in order of time; they have been put in order.".to_owned());
    }
    let twice = readings.windows(2).filter(|pair| pair[0].measured_at == pair[1].measured_at).count();
    if twice > 0 {
        notes.push(format!(
            "{twice} lines have the same time as another; each counts for no time but the last of them."
        ));
    }
}

struct Rows<'a> {
    columns: &'a [Column],
    header: &'a [String],
    decimal_comma: bool,
    faults: Faults,
}

impl Rows<'_> {
    fn cell<'r>(&self, record: &'r csv::StringRecord, column: Column) -> Option<&'r str> {
        record.get(self.columns.iter().position(|c| *c == column)?)
    }

    fn regulator<'r>(&self, record: &'r csv::StringRecord) -> Option<&'r str> {
        self.cell(record, Column::Regulator)
    }

    fn reading(&mut self, line: u64, record: &csv::StringRecord, nameplate: &Nameplate) -> Option<Reading> {
        let before = self.faults.count;
        let at = self.instant(line, record);
        let mut reading = Reading::new(at.unwrap_or_default());
        let (mut in_phase, mut lagging) = (None, None);
        for (place, column) in self.columns.iter().enumerate() {
            let cell = record.get(place).unwrap_or_default();
            match column {
                Column::Value(q) if q.is_flag() => {
                    if let Some(yes) = self.flag(line, place, cell) {
                        reading = reading.with(*q, f64::from(u8::from(yes)));
                    }
                }
                Column::Value(q) => {
                    if let Some(value) = self.number(line, place, cell) {
                        reading = reading.with(*q, value);
                    }
                }
                Column::InPhase => in_phase = self.number(line, place, cell),
                Column::Lagging => lagging = self.number(line, place, cell),
                Column::Utc | Column::Seconds | Column::Regulator | Column::Passed => {}
            }
        }
        if let (Some(in_phase), Some(lagging), Some(load_v)) =
            (in_phase, lagging, reading.good(Quantity::LoadVoltage))
        {
            let kv = load_v * nameplate.pt_ratio / 1000.0;
            reading =
                reading.with(Quantity::RealPower, kv * in_phase).with(Quantity::ReactivePower, kv * lagging);
        }
        (self.faults.count == before).then_some(reading)
    }

    fn instant(&mut self, line: u64, record: &csv::StringRecord) -> Option<Timestamp> {
        if let Some(place) = self.columns.iter().position(|c| *c == Column::Utc) {
            let cell = record.get(place).unwrap_or_default();
            let at = instant(cell);
            if at.is_none() {
                self.faults.add(format_args!(
                    "line {line}, column {}: “{cell}” is not a time; write it as 2026-03-01T12:00:00Z",
                    self.header[place]
                ));
            }
            return at;
        }
        let place = self.columns.iter().position(|c| *c == Column::Seconds)?;
        let cell = record.get(place).unwrap_or_default();
        let seconds = number(cell, self.decimal_comma).filter(|s| s.abs() < 1e10);
        if seconds.is_none() {
            self.faults.add(format_args!(
                "line {line}, column {}: “{cell}” is not a number of seconds; write it as 10 or 12.5",
                self.header[place]
            ));
        }
        #[expect(clippy::cast_possible_truncation, reason = "microseconds of 10^10 s fit")]
        seconds.map(|s| Timestamp::UNIX_EPOCH + TimeDelta::microseconds((s * 1e6).round() as i64))
    }

    fn number(&mut self, line: u64, place: usize, cell: &str) -> Option<f64> {
        if is_missing(cell) {
            return None;
        }
        let value = number(cell, self.decimal_comma);
        if value.is_none() {
            self.faults.add(format_args!(
                "line {line}, column {}: “{cell}” is not a number; write it as 121.5, or leave the cell empty if it is missing",
                self.header[place]
            ));
        }
        value
    }

    fn flag(&mut self, line: u64, place: usize, cell: &str) -> Option<bool> {
        match cell.to_lowercase().as_str() {
            "1" | "yes" | "true" => Some(true),
            "0" | "no" | "false" => Some(false),
            missing if is_missing(missing) => None,
            _ => {
                self.faults.add(format_args!(
                    "line {line}, column {}: “{cell}” is neither yes nor no; write yes, no or nothing",
                    self.header[place]
                ));
                None
            }
        }
    }
}

fn is_missing(cell: &str) -> bool {
    MISSING.iter().any(|m| cell.eq_ignore_ascii_case(m))
}

fn number(cell: &str, decimal_comma: bool) -> Option<f64> {
    let plain = if decimal_comma { cell.replace(',', ".") } else { cell.to_owned() };
    plain.replace('−', "-").parse().ok().filter(|v: &f64| v.is_finite())
}

fn instant(cell: &str) -> Option<Timestamp> {
    if let Ok(at) = DateTime::parse_from_rfc3339(cell) {
        return Some(at.with_timezone(&Utc));
    }
    let plain = cell.replacen('T', " ", 1);
    ["%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%d %H:%M"]
        .iter()
        .find_map(|form| NaiveDateTime::parse_from_str(&plain, form).ok())
        .map(|at| at.and_utc())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str, regulator: Option<&str>) -> Result<Readings, String> {
        read("r.csv", text.as_bytes(), regulator, &Nameplate::common()).map_err(|e| e.to_string())
    }

    #[test]
    fn columns_in_any_order_with_missing_cells() {
        let text = "Tap, automatic ,load_voltage_v,utc,power_factor,colour\r\n\
                    -3,yes,121.5,2026-03-01T12:00:00Z,,red\r\n\
                    ,no,NaN,2026-03-01 12:00:10.5,0.9,\r\n";
        let found = parse(text, None).unwrap();
        let [a, b] = &found.readings[..] else { panic!("{found:?}") };
        assert_eq!((a.good(Quantity::Tap), a.good(Quantity::LoadVoltage)), (Some(-3.0), Some(121.5)));
        assert_eq!((a.flag(Quantity::Automatic), a.good(Quantity::PowerFactor)), (Some(true), None));
        assert_eq!((b.good(Quantity::Tap), b.good(Quantity::LoadVoltage)), (None, None));
        assert_eq!((b.measured_at - a.measured_at).num_milliseconds(), 10_500);
        assert_eq!(found.notes, ["Columns not known and passed over: colour."]);
    }

    /// The layout of the trend of a site's page; see its own test for the same text.
    #[test]
    fn the_trend_of_a_site_is_read_one_regulator_at_a_time() {
        let text = "regulator,utc,local,load_voltage_v,current_a,real_power_kw,tap\r\n\
                    \"Bank 1, A\",1970-01-01T00:00:00.000Z,1969-12-31 18:00:00.000,120.5,,-3,4\r\n\
                    Phase B,1970-01-01T00:00:00.000Z,1969-12-31 18:00:00.000,121.5,10,3,5\r\n";
        let found = parse(text, Some("Bank 1, A")).unwrap();
        assert_eq!(found.readings.len(), 1);
        assert_eq!(found.readings[0].good(Quantity::RealPower), Some(-3.0));
        assert!(found.notes.is_empty());
        let several = parse(text, None).unwrap_err();
        assert_eq!(
            several,
            "r.csv holds several regulators; choose one with --regulator: “Bank 1, A”, “Phase B”"
        );
        assert!(parse(text, Some("C")).unwrap_err().contains("has no regulator “C”"));
    }

    /// 7.62 kV x 50 A in phase and 20 A lagging: 381 kW and 152.4 kvar, plain arithmetic.
    #[test]
    fn currents_by_their_parts_and_seconds() {
        let text = "seconds;load_voltage;tap;in_phase;lagging\n10,5;120;0;50;20\n0;120,25;1;;\n";
        let found = parse(text, None).unwrap();
        assert_eq!(found.readings[0].good(Quantity::LoadVoltage), Some(120.25));
        assert_eq!(found.readings[0].good(Quantity::RealPower), None);
        let powers =
            [Quantity::RealPower, Quantity::ReactivePower].map(|q| found.readings[1].good(q).unwrap());
        assert!((powers[0] - 381.0).abs() < 1e-9 && (powers[1] - 152.4).abs() < 1e-9, "{powers:?}");
        assert_eq!(found.notes, ["Lines were not in order of time; they have been put in order."]);
    }

    #[test]
    fn nonsense_is_told_with_line_column_and_remedy() {
        let told = |text: &str| parse(text, None).unwrap_err();
        assert!(told("").contains("no column with the time; name it utc or seconds"));
        assert!(told("utc,tap\n").contains("there is no column load_voltage_v or source_voltage_v"));
        assert!(told("utc,load_voltage\n").contains("there is no column tap"));
        assert!(told("utc,load_voltage_v,tap\n").contains("holds no readings; add a line"));
        assert!(told("utc,tap,Tap,load_voltage\n").contains("column 3 “tap” says the same"));
        let told = told(
            "seconds,load_voltage_v,tap,automatic\n0,12o.5,1,yes\nsoon,120,1,yes\n20,120,1,maybe\n30,120,1\n40,inf,1,1\n",
        );
        for part in [
            "line 2, column load_voltage_v: “12o.5” is not a number; write it as 121.5, or leave",
            "line 3, column seconds: “soon” is not a number of seconds",
            "line 4, column automatic: “maybe” is neither yes nor no",
            "line 5: 3 cells, but the header has 4",
            "line 6, column load_voltage_v: “inf”",
        ] {
            assert!(told.contains(part), "{part} in {told}");
        }
        let bytes = b"utc,load_voltage_v,tap\n\xff\xfe,1,2\n";
        let told = read("r.csv", bytes, None, &Nameplate::common()).unwrap_err().to_string();
        assert_eq!(told, "r.csv, line 2: this is not UTF-8 text; save the file as CSV in UTF-8");
    }

    #[test]
    fn many_faults_are_counted() {
        let text = format!("seconds,load_voltage,tap\n{}", "x,1,2\n".repeat(25));
        let told = parse(&text, None).unwrap_err();
        assert!(told.ends_with("and 15 more"), "{told}");
    }
}
