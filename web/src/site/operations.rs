//! Every operation of a site in a range.

use askama::Template;

use super::{OperationRow, Range};
use crate::frame::Frame;

/// The page.
#[derive(Debug, Template)]
#[template(path = "operations.html")]
pub struct OperationsPage {
    /// What surrounds it.
    pub frame: Frame,
    /// The site.
    pub id: i32,
    /// Its name.
    pub name: String,
    /// Its zone.
    pub zone: String,
    /// The range.
    pub range: Range,
    /// First and last instant, on the site's clock.
    pub between: (String, String),
    /// The operations, newest first.
    pub newest: Vec<OperationRow>,
    /// Where the list goes on, if it does.
    pub next: Option<String>,
}
