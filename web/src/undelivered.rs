//! Messages that were given up.

use askama::Template;
use chrono_tz::Tz;
use regulator::Timestamp;

use crate::frame::Frame;

/// One message.
#[derive(Debug, Clone)]
pub struct Message {
    /// Its row.
    pub id: i64,
    /// The alarm that it is about; none when it is about several.
    pub alarm_id: Option<i64>,
    /// The alarm's condition, in words.
    pub title: String,
    /// The alarm's priority, in a word.
    pub priority: Option<&'static str>,
    /// The alarm's line.
    pub summary: String,
    /// Whether the alarm has returned to normal since.
    pub returned: bool,
    /// What it says of the alarm: raised, returned.
    pub about: String,
    /// Who should have got it.
    pub recipient: String,
    /// Their page, for those who may see it.
    pub recipient_href: Option<String>,
    /// By which way.
    pub way: String,
    /// The last reason.
    pub reason: String,
    /// How often it was tried.
    pub attempts: i32,
    /// When it was written.
    pub created_at: Timestamp,
    /// When it was last tried.
    pub last_at: Option<Timestamp>,
}

/// Every message that was given up and is not put aside.
#[derive(Debug, Template)]
#[template(path = "undelivered.html")]
pub struct UndeliveredPage {
    /// What surrounds it.
    pub frame: Frame,
    /// The messages, latest first.
    pub messages: Vec<Message>,
    /// Whether there are more than are shown.
    pub more: bool,
    /// The zone of the times.
    pub zone: Tz,
    /// Which message could not be put aside, what was typed, and why not.
    pub refusal: Option<(i64, String, String)>,
}

impl UndeliveredPage {
    fn may_operate(&self) -> bool {
        self.frame.viewer.as_ref().is_some_and(|v| v.may_operate)
    }

    fn fault(&self, id: &i64) -> Option<(&str, &str)> {
        self.refusal
            .as_ref()
            .filter(|(of, ..)| of == id)
            .map(|(_, typed, why)| (typed.as_str(), why.as_str()))
    }
}
