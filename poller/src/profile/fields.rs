//! Reading one TOML table key by key, noting every fault and going on.

use std::ops::RangeInclusive;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::errors::Faults;

/// A value and where it stands in the file.
#[derive(Debug, Clone, Copy)]
pub(super) struct At<T> {
    pub(super) value: T,
    pub(super) offset: usize,
}

/// One TOML table, with the place to note its faults.
pub(super) struct Fields<'t, 'f, 'a> {
    table: &'t DeTable<'t>,
    /// Where the table begins.
    pub(super) offset: usize,
    /// The point that faults are said to belong to.
    pub(super) point: Option<String>,
    pub(super) faults: &'f mut Faults<'a>,
}

impl<'t, 'f, 'a> Fields<'t, 'f, 'a> {
    pub(super) const fn new(table: &'t DeTable<'t>, offset: usize, faults: &'f mut Faults<'a>) -> Self {
        Self { table, offset, point: None, faults }
    }

    pub(super) fn fault(&mut self, offset: usize, what: impl Into<String>, remedy: impl Into<String>) {
        self.faults.add(offset, self.point.as_deref(), what, remedy);
    }

    /// Notes every key that is not one of `known`.
    pub(super) fn refuse_unknown(&mut self, known: &[&str]) {
        for key in self.table.keys().filter(|k| !known.contains(&k.get_ref().as_ref())) {
            let name = key.get_ref();
            self.fault(key.span().start, format!("unknown key '{name}'"), suggest(name, known));
        }
    }

    pub(super) fn has(&self, key: &str) -> Option<usize> {
        self.table.get_key_value(key).map(|(k, _)| k.span().start)
    }

    pub(super) fn raw(&self, key: &str) -> Option<&'t Spanned<DeValue<'t>>> {
        self.table.get(key)
    }

    /// A required key is missing.
    pub(super) fn missing(&mut self, key: &str, example: &str) {
        self.fault(self.offset, format!("'{key}' is missing"), format!("add {key} = {example}"));
    }

    pub(super) fn string(&mut self, key: &str) -> Option<At<&'t str>> {
        let value = self.raw(key)?;
        let offset = value.span().start;
        if let DeValue::String(s) = value.get_ref() {
            return Some(At { value: s.as_ref(), offset });
        }
        let found = value.get_ref().type_str();
        self.fault(offset, format!("{key} is {found}, not a string"), "put the value in double quotes");
        None
    }

    /// A string that must be one of `names`.
    pub(super) fn choice(&mut self, key: &str, names: &[&str]) -> Option<At<&'t str>> {
        let found = self.string(key)?;
        if names.contains(&found.value) {
            return Some(found);
        }
        self.fault(found.offset, format!("unknown {key} '{}'", found.value), suggest(found.value, names));
        None
    }

    pub(super) fn boolean(&mut self, key: &str) -> Option<At<bool>> {
        let value = self.raw(key)?;
        let offset = value.span().start;
        if let DeValue::Boolean(b) = value.get_ref() {
            return Some(At { value: *b, offset });
        }
        self.fault(
            offset,
            format!("{key} is not a yes or no"),
            format!("write {key} = true or {key} = false"),
        );
        None
    }

    /// A whole number within a range.
    pub(super) fn integer(&mut self, key: &str, range: RangeInclusive<i64>) -> Option<At<i64>> {
        let value = self.raw(key)?;
        let offset = value.span().start;
        let (low, high) = (*range.start(), *range.end());
        match whole(value.get_ref()) {
            Some(n) if range.contains(&n) => return Some(At { value: n, offset }),
            Some(n) => {
                self.fault(offset, format!("{key} = {n} is out of range"), format!("use {low} to {high}"));
            }
            None => self.fault(
                offset,
                format!("{key} is not a whole number"),
                format!("write a whole number from {low} to {high}, without quotes"),
            ),
        }
        None
    }

    /// A finite number.
    pub(super) fn number(&mut self, key: &str) -> Option<At<f64>> {
        let value = self.raw(key)?;
        let offset = value.span().start;
        match number(value.get_ref()).filter(|n| n.is_finite()) {
            Some(value) => Some(At { value, offset }),
            None => {
                self.fault(offset, format!("{key} is not a number"), "write a finite number, without quotes");
                None
            }
        }
    }

    /// One value or an array of them.
    pub(super) fn one_or_many(&self, key: &str) -> Vec<&'t Spanned<DeValue<'t>>> {
        match self.raw(key) {
            None => vec![],
            Some(value) => match value.get_ref() {
                DeValue::Array(items) => items.iter().collect(),
                _ => vec![value],
            },
        }
    }
}

/// A whole number, if the value is one that fits.
pub(super) fn whole(value: &DeValue<'_>) -> Option<i64> {
    let integer = value.as_integer()?;
    i64::from_str_radix(integer.as_str(), integer.radix()).ok()
}

/// Any number, not-a-number and infinity included.
pub(super) fn number(value: &DeValue<'_>) -> Option<f64> {
    if let Some(n) = whole(value) {
        #[allow(clippy::cast_precision_loss, reason = "no setting needs more than 53 bits")]
        return Some(n as f64);
    }
    value.as_float()?.as_str().parse().ok()
}

/// A remedy that names the nearest known word, or all of them.
pub(super) fn suggest(found: &str, known: &[&str]) -> String {
    let nearest = known
        .iter()
        .map(|k| (strsim::osa_distance(found, k), k))
        .min_by_key(|(distance, _)| *distance)
        .filter(|(distance, _)| *distance <= found.len() / 3);
    match nearest {
        Some((_, name)) => format!("did you mean '{name}'?"),
        None => format!("use one of: {}", known.join(", ")),
    }
}
