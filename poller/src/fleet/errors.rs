//! What is wrong with a fleet file: where, what, and what to do.

use std::fmt;

/// One fault.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// Row of the file as a spreadsheet counts: the header is row 1. None when the file as a whole is meant.
    pub row: Option<u64>,
    /// The column it is in, if in one.
    pub column: Option<String>,
    /// What is wrong.
    pub what: String,
    /// What to do about it.
    pub remedy: String,
}

/// Everything that is wrong with a fleet file, by row; shown one to a line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FleetErrors {
    /// The file, as named by the caller.
    pub file: String,
    /// The faults: at least one.
    pub faults: Vec<Fault>,
}

impl fmt::Display for FleetErrors {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, fault) in self.faults.iter().enumerate() {
            if i > 0 {
                writeln!(f)?;
            }
            write!(f, "{}", self.file)?;
            if let Some(row) = fault.row {
                write!(f, ", row {row}")?;
            }
            if let Some(column) = &fault.column {
                write!(f, ", {column}")?;
            }
            write!(f, ": {}; {}", fault.what, fault.remedy)?;
        }
        Ok(())
    }
}

impl std::error::Error for FleetErrors {}

/// Why an import changed nothing.
#[derive(Debug, thiserror::Error)]
pub enum ImportError {
    /// The file is at fault.
    #[error("{0}")]
    File(#[from] FleetErrors),
    /// The database refused or did not answer.
    #[error("importing the inventory: {0}")]
    Database(#[from] sqlx::Error),
}

/// Collects faults.
#[derive(Debug, Default)]
pub(super) struct Faults(Vec<Fault>);

impl Faults {
    pub(super) fn of_file(&mut self, what: impl Into<String>, remedy: impl Into<String>) {
        self.0.push(Fault { row: None, column: None, what: what.into(), remedy: remedy.into() });
    }

    pub(super) fn at(&mut self, row: u64, column: &str, what: impl Into<String>, remedy: impl Into<String>) {
        let column = (!column.is_empty()).then(|| column.to_owned());
        self.0.push(Fault { row: Some(row), column, what: what.into(), remedy: remedy.into() });
    }

    pub(super) const fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// `ok` if there are no faults, else all of them by row.
    pub(super) fn or<T>(mut self, file: &str, ok: T) -> Result<T, FleetErrors> {
        if self.is_empty() {
            return Ok(ok);
        }
        self.0.sort_by_key(|fault| fault.row);
        Err(FleetErrors { file: file.to_owned(), faults: self.0 })
    }
}
