//! Tells people: the outbox and its ways out, e-mail and webhook.
//!
//! Detection calls [`enqueue_all`] in the transaction that records an alarm's transitions, so that a message exists exactly
//! when its transition does.

mod outbox;
#[cfg(test)]
mod testing;

pub use outbox::{enqueue, enqueue_all};
