//! The pages by which people get in.

use askama::Template;

use crate::frame::Frame;

/// E-mail and password.
#[derive(Debug, Template)]
#[template(path = "sign_in.html")]
pub struct SignInPage {
    /// What surrounds it.
    pub frame: Frame,
    /// The address typed before.
    pub email: String,
    /// Where to go afterwards.
    pub next: String,
    /// Why it was refused.
    pub error: Option<String>,
}

/// What a one-time link shows: a button, so that programs which open links in mail do not use it up.
#[derive(Debug, Template)]
#[template(path = "sign_in_link.html")]
pub struct SignInLinkPage {
    /// What surrounds it.
    pub frame: Frame,
    /// Whether it can be used.
    pub usable: bool,
}

/// Choosing a password.
#[derive(Debug, Template)]
#[template(path = "password.html")]
pub struct PasswordPage {
    /// What surrounds it.
    pub frame: Frame,
    /// Whose; for the browser's password store.
    pub email: String,
    /// Token for the form.
    pub csrf: String,
    /// Whether the present password must be given.
    pub asks_present: bool,
    /// Why it was refused.
    pub error: Option<String>,
}
