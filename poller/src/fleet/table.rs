//! The file as a table: text, separators and header. What the cells mean is left to [`super::row`].

use super::{
    columns::{COLUMNS, nearest},
    errors::Faults,
};

/// The cells of the file, by column.
#[derive(Debug)]
pub(super) struct Table {
    /// Where each of [`COLUMNS`] is in a record.
    places: [Option<usize>; COLUMNS.len()],
    records: Vec<(u64, csv::StringRecord)>,
}

impl Table {
    /// Reads the file; nothing if its header cannot be made sense of.
    pub(super) fn read(bytes: &[u8], faults: &mut Faults) -> Option<Self> {
        let text = decode(bytes, faults)?;
        let header_line = text.lines().next().unwrap_or_default();
        if !header_line.contains(',') && header_line.contains([';', '\t']) {
            faults.of_file(
                "fields are separated by semicolons or tabs",
                "save it as comma-separated values (CSV, \"comma delimited\")",
            );
            return None;
        }
        let mut reader =
            csv::ReaderBuilder::new().flexible(true).trim(csv::Trim::All).from_reader(text.as_bytes());
        let header = match reader.headers() {
            Ok(header) => header.clone(),
            Err(error) => {
                faults.of_file(format!("it is not a CSV file: {error}"), "export it again as CSV");
                return None;
            }
        };
        let places = places(&header, faults)?;
        let mut records = Vec::new();
        for record in reader.records() {
            let Some((row, record)) = checked(record, records.len(), header.len(), faults) else { continue };
            if record.iter().any(|cell| !cell.is_empty()) {
                records.push((row, record));
            }
        }
        if records.is_empty() && faults.is_empty() {
            faults.of_file("it holds no regulators", "add a row for each regulator below the header");
        }
        Some(Self { places, records })
    }

    /// The rows, each with its number: line 1 is the header.
    pub(super) fn rows(&self) -> impl Iterator<Item = (u64, Cells<'_>)> {
        self.records.iter().map(|(row, record)| (*row, Cells { places: &self.places, record }))
    }
}

/// The cells of one row.
#[derive(Debug, Clone, Copy)]
pub(super) struct Cells<'a> {
    places: &'a [Option<usize>; COLUMNS.len()],
    record: &'a csv::StringRecord,
}

impl<'a> Cells<'a> {
    /// What stands in a column; nothing if the cell is empty or the file lacks the column.
    pub(super) fn get(&self, column: &str) -> Option<&'a str> {
        let index = COLUMNS.iter().position(|c| c.name == column)?;
        self.record.get(self.places[index]?).filter(|cell| !cell.is_empty())
    }
}

fn decode<'a>(bytes: &'a [u8], faults: &mut Faults) -> Option<&'a str> {
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let remedy = "save it as CSV in UTF-8";
    if bytes.starts_with(b"\xff\xfe") || bytes.starts_with(b"\xfe\xff") {
        faults.of_file("it is in UTF-16", remedy);
        return None;
    }
    if bytes.starts_with(b"PK\x03\x04") {
        faults.of_file("it is a spreadsheet, not a CSV file", remedy);
        return None;
    }
    match std::str::from_utf8(bytes) {
        Ok(text) => Some(text),
        Err(error) => {
            let line = bytes[..error.valid_up_to()].iter().filter(|b| **b == b'\n').count() as u64 + 1;
            faults.at(line, "", "a letter here is not in UTF-8", remedy);
            None
        }
    }
}

fn places(header: &csv::StringRecord, faults: &mut Faults) -> Option<[Option<usize>; COLUMNS.len()]> {
    let mut places = [None; COLUMNS.len()];
    let mut misspelt = Vec::new();
    let before = faults.is_empty();
    for (i, name) in header.iter().enumerate() {
        match COLUMNS.iter().position(|c| c.name == name) {
            Some(column) if places[column].is_some() => {
                faults.at(1, name, "there are two columns of this name", "remove or rename one of them");
            }
            Some(column) => places[column] = Some(i),
            None => {
                // a column that is there under its right name was not meant
                let suggestion = nearest(name).filter(|s| header.iter().all(|other| other != *s));
                misspelt.extend(suggestion);
                let remedy = suggestion
                    .map_or("remove it".to_owned(), |s| format!("did you mean '{s}'? Else remove it"));
                faults.at(1, name, "there is no such column", remedy);
            }
        }
    }
    for (column, place) in COLUMNS.iter().zip(&places) {
        if column.required && place.is_none() && !misspelt.contains(&column.name) {
            faults.at(1, column.name, "the column is missing", "add it; every row needs a value in it");
        }
    }
    (before && faults.is_empty()).then_some(places)
}

/// A record with its row number, if it has a cell for each column.
fn checked(
    record: csv::Result<csv::StringRecord>,
    so_far: usize,
    columns: usize,
    faults: &mut Faults,
) -> Option<(u64, csv::StringRecord)> {
    match record {
        Ok(record) => {
            let row = record.position().map_or(so_far as u64 + 2, csv::Position::line);
            if record.len() > columns {
                faults.at(
                    row,
                    "",
                    format!("it has {} cells, the header has {columns}", record.len()),
                    "put a text that contains a comma in double quotes",
                );
                return None;
            }
            Some((row, record))
        }
        Err(error) => {
            let row = error.position().map_or(0, csv::Position::line);
            faults.at(row, "", format!("it cannot be read: {error}"), "correct the quotes");
            None
        }
    }
}
