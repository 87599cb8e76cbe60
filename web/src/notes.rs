//! Notes: what people write down about a site, a regulator or an alarm for those who come after them.

use askama::Template;
use chrono_tz::Tz;
use regulator::Timestamp;

use crate::{board::Choice, frame::Frame};

/// Longest note, in characters.
pub const LONGEST: usize = 1000;

/// One note.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Note {
    /// When it was written.
    pub at: Timestamp,
    /// By whom.
    pub person: String,
    /// What it says.
    pub text: String,
    /// What it is about: words and address; nothing where the page says it.
    pub about: Option<(String, String)>,
}

/// The notes of a site, its regulators and their alarms, and a form; a part of the site's page, and by itself where what was typed
/// was refused.
#[derive(Debug, Clone)]
pub struct SiteNotes {
    /// The site.
    pub site: i32,
    /// Newest first.
    pub notes: Vec<Note>,
    /// The site and its regulators, to write about.
    pub about: Vec<Choice>,
    /// The site's zone.
    pub zone: Tz,
    /// What was typed before, where it was refused.
    pub typed: String,
    /// Why it was refused.
    pub error: Option<String>,
}

/// A refused note, with what was typed.
#[derive(Debug, Template)]
#[template(path = "site_notes_page.html")]
pub struct SiteNotesPage {
    /// What surrounds it.
    pub frame: Frame,
    /// The site's name.
    pub name: String,
    /// The notes.
    pub notes: SiteNotes,
}
