//! The calculators: computations of the trade, every step shown.

use askama::Template;

use crate::{frame::Frame, study::Input};

/// The page.
#[derive(Debug, Template)]
#[template(path = "calculators.html")]
pub struct CalculatorsPage {
    /// What surrounds it.
    pub frame: Frame,
    /// The calculators.
    pub calculators: Vec<Calculator>,
}

/// One of them.
#[derive(Debug, Clone, PartialEq)]
pub struct Calculator {
    /// Its name in the address.
    pub of: &'static str,
    /// What it computes.
    pub title: &'static str,
    /// By what, and what it leaves out.
    pub about: &'static str,
    /// What it needs.
    pub fields: Vec<Input>,
    /// Address and words of an example with known numbers.
    pub example: (&'static str, &'static str),
    /// Why there is no result though everything was typed.
    pub why_none: Option<String>,
    /// What came of it.
    pub result: Option<Worked>,
}

/// A result.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Worked {
    /// The answer: name and number.
    pub answers: Vec<(String, String)>,
    /// The steps that led to it: what, how, and the value with its unit.
    pub steps: Vec<(String, String, String)>,
    /// What to bear in mind.
    pub words: Vec<String>,
}
