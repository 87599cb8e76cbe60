//! Tells people: the outbox and its ways out, e-mail and webhook.
