//! Reading one cell: a value, its default, or a fault that says where and what to do.

use std::{fmt::Display, ops::RangeInclusive, str::FromStr};

use super::{errors::Faults, table::Cells};

/// One row while it is read.
pub(super) struct RowReader<'a> {
    pub(super) row: u64,
    pub(super) cells: Cells<'a>,
    pub(super) faults: &'a mut Faults,
}

impl RowReader<'_> {
    /// A name, or the default; a required one must not be empty.
    pub(super) fn name(&mut self, column: &str, default: Option<&str>) -> Option<String> {
        match self.cells.get(column).or(default) {
            None => self.fault(column, "it is empty", "every row needs it"),
            Some(name) if name.chars().any(char::is_control) => {
                self.fault(column, "it contains a line break or control character", "write it on one line")
            }
            Some(name) if name.chars().count() > 200 => {
                self.fault(column, "it is longer than 200 characters", "shorten it")
            }
            Some(name) => Some(name.to_owned()),
        }
    }

    /// A number within a range, or the default if the cell is empty and there is one.
    pub(super) fn number<T>(
        &mut self,
        column: &str,
        default: Option<T>,
        range: &RangeInclusive<T>,
    ) -> Option<T>
    where
        T: FromStr + PartialOrd + Display + Copy,
    {
        let Some(text) = self.cells.get(column) else {
            return default.or_else(|| self.fault(column, "it is empty", "every row needs it"));
        };
        let remedy = || format!("write a number from {} to {}", range.start(), range.end());
        match text.parse::<T>() {
            Ok(value) if range.contains(&value) => Some(value),
            Ok(_) => self.fault(column, format!("{text} is out of range"), remedy()),
            Err(_) if text.contains(',') => {
                self.fault(column, format!("'{text}' is not a number"), "write a point, not a comma")
            }
            Err(_) => self.fault(column, format!("'{text}' is not a number"), remedy()),
        }
    }

    /// One of a few words, or the default.
    pub(super) fn word<T>(
        &mut self,
        column: &str,
        default: Option<T>,
        words: &[&str],
        from: impl Fn(&str) -> Option<T>,
    ) -> Option<T> {
        let Some(text) = self.cells.get(column) else {
            return default.or_else(|| self.fault(column, "it is empty", "every row needs it"));
        };
        from(text).or_else(|| {
            self.fault(
                column,
                format!("'{text}' is not known here"),
                format!("write one of: {}", words.join(", ")),
            )
        })
    }

    /// Notes a fault; always nothing, for use as a value.
    pub(super) fn fault<T>(
        &mut self,
        column: &str,
        what: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Option<T> {
        self.faults.at(self.row, column, what, remedy);
        None
    }
}
