//! The settings study: a form whose address holds everything, and what came of it.

use askama::Template;

use crate::{frame::Frame, site::Strip};

/// The page.
#[derive(Debug, Template)]
#[template(path = "study.html")]
pub struct StudyPage {
    /// What surrounds it.
    pub frame: Frame,
    /// The regulators to choose from, by feeder.
    pub feeders: Vec<Feeder>,
    /// Which one is chosen.
    pub regulator: Input,
    /// From when, to when, in the site's zone.
    pub span: [Input; 2],
    /// What is assumed.
    pub assumed: Vec<Input>,
    /// Name of the zone that times are in.
    pub zone: String,
    /// Heads of the columns of settings: present, then those to try.
    pub slots: Vec<String>,
    /// The settings, a row each.
    pub rows: Vec<FormRow>,
    /// Why there is no result, and what to do.
    pub why_none: Option<String>,
    /// What came of it.
    pub result: Option<Answer>,
}

/// The regulators of one feeder.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Feeder {
    /// Substation and feeder.
    pub title: String,
    /// Id and name of each regulator.
    pub regulators: Vec<(String, String)>,
}

/// One field of the form.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Input {
    /// Its name in the address.
    pub name: String,
    /// What it is called.
    pub label: String,
    /// What was typed.
    pub value: String,
    /// What stands where nothing is typed.
    pub placeholder: String,
    /// The ways to choose from; none for a field to type in.
    pub ways: Vec<(String, String)>,
    /// Why it was refused and what to do.
    pub fault: Option<String>,
    /// What may be typed.
    pub hint: String,
}

/// One setting, a field for each column.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FormRow {
    /// The setting, with its unit.
    pub title: String,
    /// Present, then those to try.
    pub cells: Vec<Input>,
}

impl FormRow {
    /// The first refusal of the row.
    #[must_use]
    pub fn faults(&self) -> Vec<&Input> {
        self.cells.iter().filter(|cell| cell.fault.is_some()).collect()
    }
}

/// The result.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    /// Site and phase.
    pub whose: String,
    /// Number of the site.
    pub site: i32,
    /// How far to trust it, in a word.
    pub trust: &'static str,
    /// What to make of it.
    pub trust_words: &'static str,
    /// The model's error: name and number.
    pub error: Vec<(&'static str, String)>,
    /// What stands in the way of belief.
    pub doubts: Vec<String>,
    /// Where the present settings are from, where that is worth a word.
    pub origins: Vec<String>,
    /// Heads of the columns of figures.
    pub columns: Vec<String>,
    /// The settings of each column but the first.
    pub settings: Vec<Row>,
    /// The figures.
    pub figures: Vec<Row>,
    /// The regulators that it feeds next, with what they would feel.
    pub downstream: Vec<Downstream>,
    /// Drawings, each under its heading with the names of its lines.
    pub charts: Vec<Chart>,
    /// The map over bandwidth and delay.
    pub map: Map,
    /// What is assumed.
    pub assumptions: Vec<String>,
    /// The address of this very study.
    pub link: String,
    /// What was computed.
    pub cost: String,
}

/// A row of numbers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    /// What they are.
    pub title: String,
    /// The numbers, each with a detail beneath or nothing.
    pub cells: Vec<(String, String)>,
}

/// Drawings with the same lines.
#[derive(Debug, Clone, PartialEq)]
pub struct Chart {
    /// What is compared.
    pub title: String,
    /// Names of the lines.
    pub names: Vec<String>,
    /// The drawings.
    pub strips: Vec<Strip>,
}

/// The map.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Map {
    /// What its numbers are.
    pub what: String,
    /// Other figures to show: address, word, whether it is the one.
    pub others: Vec<(String, &'static str, bool)>,
    /// Delays, seconds.
    pub delays: Vec<String>,
    /// Bandwidth, V, and its cells.
    pub rows: Vec<(String, Vec<MapCell>)>,
}

/// One cell of the map.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MapCell {
    /// The number.
    pub text: String,
    /// The study with these settings.
    pub href: String,
    /// How dark, 0 to 4.
    pub shade: u8,
    /// The present settings.
    pub here: bool,
}

/// A regulator fed by the one studied, replayed in series with it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Downstream {
    /// Which.
    pub whose: String,
    /// Its site.
    pub site: i32,
    /// Its figures, in the columns of the study's own.
    pub rows: Vec<Row>,
}
