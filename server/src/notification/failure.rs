//! Why a message did not get out, and whether to try again.

use std::time::Duration;

/// Why an attempt failed. The text is shown to people, beside the alarm.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Failure {
    /// May pass: worth another attempt.
    #[error("{detail}")]
    Passing {
        /// What happened.
        detail: String,
        /// How long the receiver asks us to wait.
        retry_after: Option<Duration>,
    },
    /// Will not pass by itself: the message is given up.
    #[error("{0}")]
    Permanent(String),
}

impl Failure {
    pub(crate) fn passing(detail: impl Into<String>) -> Self {
        Self::Passing { detail: detail.into(), retry_after: None }
    }

    pub(crate) fn permanent(detail: impl Into<String>) -> Self {
        Self::Permanent(detail.into())
    }
}

/// The error and its causes in one line: libraries keep the useful part in the source.
pub(crate) fn chain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut source = error.source();
    while let Some(cause) = source {
        let cause_text = cause.to_string();
        if !text.contains(&cause_text) {
            text.push_str(": ");
            text.push_str(&cause_text);
        }
        source = cause.source();
    }
    text
}
