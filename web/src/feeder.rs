//! One feeder: its regulators in order from the substation, their settings against one another and against the standard.

use askama::Template;

use crate::{
    board::{Banner, Cell},
    frame::Frame,
};

/// The page.
#[derive(Debug, Template)]
#[template(path = "feeder.html")]
pub struct FeederPage {
    /// What surrounds it.
    pub frame: Frame,
    /// Why the values may be old.
    pub banners: Vec<Banner>,
    /// Its name.
    pub name: String,
    /// Its substation.
    pub substation: String,
    /// The substation's number.
    pub substation_id: i32,
    /// Its sites, from the substation outwards.
    pub sites: Vec<Site>,
    /// What was found about the settings, those that want a look first.
    pub findings: Vec<Finding>,
    /// The standard that settings are held against, in words; empty where none is stated.
    pub standard: Vec<String>,
    /// No control of the feeder reports distortion: its columns are left out.
    pub distortion: bool,
    /// What the findings about compensators rest on.
    pub peak_note: String,
}

/// One site.
#[derive(Debug, Clone)]
pub struct Site {
    /// Its number.
    pub id: i32,
    /// Its name.
    pub name: String,
    /// From where it is fed, in words.
    pub fed_from: String,
    /// Its banks.
    pub banks: Vec<String>,
    /// Its regulators.
    pub units: Vec<Unit>,
}

/// One regulator.
#[derive(Debug, Clone)]
pub struct Unit {
    /// Its number.
    pub id: i32,
    /// Phase, with the bank where there are several.
    pub name: String,
    /// Set voltage, bandwidth, delay, compensator.
    pub settings: Vec<Cell>,
    /// What the control says of reverse power, and which way power flows.
    pub flow: Cell,
    /// Its tap.
    pub tap: Cell,
    /// Its current, and what that is of the rating for its tap range.
    pub load: Cell,
    /// Distortion of voltage and current.
    pub distortion: [Cell; 2],
    /// The reading is too old to stand for now.
    pub old: bool,
}

/// Something found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    /// The site's number.
    pub site_id: i32,
    /// Site and regulators, in words.
    pub whose: String,
    /// What kind.
    pub kind: &'static str,
    /// It wants a look by an engineer, not merely a note.
    pub attention: bool,
    /// One sentence with the numbers.
    pub words: String,
}

/// Columns of [`Unit::settings`].
pub const SETTINGS: [&str; 4] = ["Set voltage", "Bandwidth", "Delay", "Compensator"];

impl FeederPage {
    fn columns(&self) -> usize {
        SETTINGS.len() + 4 + if self.distortion { 2 } else { 0 }
    }
}
