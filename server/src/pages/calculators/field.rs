//! The fields of a calculator, and reading them.

use std::collections::BTreeMap;

use web::{board, study::Input};

use super::super::study::number;

/// One field.
#[derive(Debug)]
pub(super) struct Field {
    pub(super) name: &'static str,
    pub(super) label: &'static str,
    pub(super) unit: &'static str,
    pub(super) range: (f64, f64),
    /// Taken where nothing is typed; without one the field is needed, or may be left empty if `optional`.
    pub(super) default: &'static str,
    pub(super) optional: bool,
    pub(super) hint: &'static str,
    /// The ways to choose from: name and words.
    pub(super) ways: &'static [(&'static str, &'static str)],
}

impl Field {
    /// A number that is needed.
    pub(super) const fn number(
        name: &'static str,
        label: &'static str,
        unit: &'static str,
        range: (f64, f64),
    ) -> Self {
        Self { name, label, unit, range, default: "", optional: false, hint: "", ways: &[] }
    }

    /// The same with a default.
    pub(super) const fn or(self, default: &'static str) -> Self {
        Self { default, ..self }
    }

    /// The same, that may be left empty.
    pub(super) const fn optional(self, hint: &'static str) -> Self {
        Self { optional: true, hint, ..self }
    }

    /// One of a few words; the first is the default.
    pub(super) const fn choice(
        name: &'static str,
        label: &'static str,
        ways: &'static [(&'static str, &'static str)],
    ) -> Self {
        Self { name, label, unit: "", range: (0.0, 0.0), default: "", optional: true, hint: "", ways }
    }
}

/// What was typed, being read.
#[derive(Debug)]
pub(super) struct Read<'t> {
    fields: &'static [Field],
    typed: &'t BTreeMap<String, String>,
    faults: BTreeMap<String, String>,
}

impl<'t> Read<'t> {
    pub(super) const fn new(fields: &'static [Field], typed: &'t BTreeMap<String, String>) -> Self {
        Self { fields, typed, faults: BTreeMap::new() }
    }

    fn field(&self, name: &str) -> &'static Field {
        self.fields.iter().find(|f| f.name == name).expect("a calculator reads its own fields")
    }

    fn text(&self, name: &str) -> &'t str {
        self.typed.get(name).map_or("", |text| text.trim())
    }

    /// A number; nothing where it is missing (which is refused unless the field is optional) or refused.
    pub(super) fn maybe(&mut self, name: &str) -> Option<f64> {
        let field = self.field(name);
        if self.text(name).is_empty() {
            if field.default.is_empty() && !field.optional {
                let (low, high) = field.range;
                let range =
                    format!("{} to {} {}", web::words::plain(low), web::words::plain(high), field.unit);
                self.refuse(name, &format!("This is needed; give a number from {}.", range.trim_end()));
            }
            return field.default.parse().ok();
        }
        number(self.typed, name, field.range, field.unit, &mut self.faults)
    }

    /// A number that is needed; 1 where it is refused, so that reading goes on and finds every other fault.
    pub(super) fn number(&mut self, name: &str) -> f64 {
        self.maybe(name).unwrap_or(1.0)
    }

    /// A number that must be more than 0.
    pub(super) fn positive(&mut self, name: &str) -> f64 {
        let value = self.number(name);
        if value > 0.0 {
            return value;
        }
        self.refuse(name, "This must be more than 0.");
        1.0
    }

    /// A whole number.
    #[expect(clippy::cast_possible_truncation, reason = "whole, and within a small range")]
    pub(super) fn whole(&mut self, name: &str) -> i32 {
        let value = self.number(name);
        if value.fract() != 0.0 {
            self.refuse(name, "This must be a whole number.");
        }
        value as i32
    }

    /// The way chosen, the first where none is.
    pub(super) fn way(&mut self, name: &str) -> &'static str {
        let (field, text) = (self.field(name), self.text(name));
        let first = field.ways[0].0;
        if text.is_empty() {
            return first;
        }
        if let Some((way, _)) = field.ways.iter().find(|(way, _)| *way == text) {
            return way;
        }
        self.refuse(name, &format!("“{text}” is none of the ways; choose one from the list."));
        first
    }

    /// Refuses a field with a remedy; the first refusal stays.
    pub(super) fn refuse(&mut self, name: &str, why: &str) {
        self.faults.entry(name.to_owned()).or_insert_with(|| why.to_owned());
    }

    pub(super) fn is_refused(&self) -> bool {
        !self.faults.is_empty()
    }

    pub(super) fn into_inputs(self) -> Vec<Input> {
        let input = |field: &Field| Input {
            name: field.name.to_owned(),
            label: if field.unit.is_empty() {
                field.label.to_owned()
            } else {
                format!("{}, {}", field.label, field.unit)
            },
            value: self.text(field.name).to_owned(),
            placeholder: field.default.to_owned(),
            ways: field.ways.iter().map(|(way, words)| ((*way).to_owned(), (*words).to_owned())).collect(),
            fault: self.faults.get(field.name).cloned(),
            hint: field.hint.to_owned(),
        };
        self.fields.iter().map(input).collect()
    }
}

/// The steps of a computation as the page shows them.
pub(super) fn steps(worked: &regulator::compensator::worked::Worked) -> Vec<(String, String, String)> {
    let show = |s: &regulator::compensator::worked::Step| {
        (s.label.clone(), s.formula.clone(), board::number(s.value, 3, s.unit))
    };
    worked.steps.iter().map(show).collect()
}
