//! Tells people: the outbox and its ways out, e-mail, webhook and text message, and who is called until somebody acts.
//!
//! Whoever moves alarms calls [`tell`] in the same transaction, so that a message exists exactly when its step does. Standing recipients are told of
//! each announcement; `calling` calls those on call, level by level, as [`tick`] says what time it is; `quiet` keeps what can wait from people who
//! sleep. [`Notifier`] delivers: `claim` takes what is due, no more to one person than the cap allows (the rest becomes a `summary`), `queue` records
//! outcomes, `worker` keeps several under way, `courier` makes one attempt, by `mail`, `webhook` or `text`, with what `notice` knows of the alarm.
//! What was given up stands in `dead` until somebody tries it again. `answer` signs the links by which people acknowledge from a message.

pub(crate) mod answer;
pub(crate) mod calling;
mod claim;
mod config;
mod courier;
pub(crate) mod dead;
mod failure;
mod mac;
mod mail;
mod notice;
mod outbox;
mod place;
mod queue;
mod quiet;
mod summary;
#[cfg(test)]
pub(crate) mod testing;
#[cfg(test)]
mod tests;
mod text;
mod trial;
mod way;
mod webhook;
mod worker;

pub use config::{Cap, Config, Schedule, Smtp, Tls, Webhook};
pub use courier::SetupError;
pub use failure::Failure;
pub use mail::smtp::SmtpSettingsError;
#[cfg(test)]
pub(crate) use outbox::enqueue;
pub(crate) use outbox::{tell, tick};
pub use queue::{Status, status};
pub use trial::send_test;
pub use way::Way;
pub use webhook::{BadSecret, new_secret};
pub(crate) use worker::NO_MAIL_SERVER;
pub use worker::Notifier;
