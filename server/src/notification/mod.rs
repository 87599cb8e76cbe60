//! Tells people: the outbox and its ways out, e-mail and webhook.
//!
//! Whoever moves alarms calls [`tell`] in the same transaction, so that a message exists exactly when
//! its step does. [`Notifier`] delivers: `queue` claims rows and records outcomes, `worker` keeps several under way, `courier` makes one
//! attempt, by `mail` or `webhook`, with what `notice` knows of the alarm.

mod config;
mod courier;
mod failure;
mod mail;
mod notice;
mod outbox;
mod queue;
#[cfg(test)]
mod testing;
#[cfg(test)]
mod tests;
mod trial;
mod webhook;
mod worker;

pub use config::{Config, Schedule, Smtp, Tls, Webhook};
pub use courier::SetupError;
pub use failure::Failure;
pub use mail::smtp::SmtpSettingsError;
#[cfg(test)]
pub(crate) use outbox::enqueue;
pub(crate) use outbox::{tell, tick};
pub use queue::{Status, status};
pub use trial::send_test;
pub use webhook::{BadSecret, new_secret};
pub(crate) use worker::NO_MAIL_SERVER;
pub use worker::Notifier;

/// How a message reaches someone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// By SMTP.
    Email,
    /// By an HTTP POST.
    Webhook,
}

impl Way {
    /// Its name in tables.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Email => "email",
            Self::Webhook => "webhook",
        }
    }
}
