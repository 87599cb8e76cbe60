//! The page that a link in a message leads to: one alarm, and a button to acknowledge it without signing in.

use askama::Template;
use chrono_tz::Tz;
use regulator::{
    Timestamp,
    conditions::{Condition, Priority},
};

use crate::frame::Frame;

/// The alarm.
#[derive(Debug, Clone)]
pub struct Alarm {
    /// Its number.
    pub id: i64,
    /// What is wrong.
    pub condition: Condition,
    /// How urgent it is.
    pub priority: Priority,
    /// Where, in words.
    pub place: String,
    /// One line with the numbers.
    pub summary: String,
    /// When it was raised.
    pub raised_at: Timestamp,
    /// When it returned to normal.
    pub returned_at: Option<Timestamp>,
    /// The site's zone.
    pub zone: Tz,
}

/// What can be done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Standing {
    /// It can be acknowledged, as this person or mailbox.
    Open {
        /// Their name.
        name: String,
    },
    /// This link has just been used, or was before.
    Done {
        /// When.
        at: Timestamp,
    },
    /// Somebody has acknowledged it already.
    Already {
        /// Who.
        by: String,
        /// When.
        at: Timestamp,
    },
    /// There is nothing to acknowledge any more.
    Nothing,
    /// The link has run out.
    Expired,
    /// Who it was sent to may not acknowledge any more.
    NotYours,
    /// No message of ours bears this link.
    Unknown,
}

/// The page.
#[derive(Debug, Template)]
#[template(path = "answer.html")]
pub struct AnswerPage {
    /// What surrounds it.
    pub frame: Frame,
    /// The alarm; only whoever got the message sees it.
    pub alarm: Option<Alarm>,
    /// What can be done.
    pub standing: Standing,
}
