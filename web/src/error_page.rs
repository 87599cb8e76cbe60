//! The page about an error.

use askama::Template;

use crate::frame::Frame;

/// What went wrong and what to do; the heading is the frame's title.
#[derive(Debug, Template)]
#[template(path = "error_page.html")]
pub struct ErrorPage {
    /// What surrounds it.
    pub frame: Frame,
    /// What is wrong and what to do.
    pub what: String,
    /// Number of the request, to find it in the log.
    pub number: Option<String>,
}
