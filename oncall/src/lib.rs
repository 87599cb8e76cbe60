//! Who is to be told, and when.
//!
//! - [`rota`]: whose turn it is, level by level, with holidays, overrides and swaps, across daylight saving changes.
//! - [`calendar`]: a person's turns as a feed that a calendar program can subscribe to.
//! - [`quiet`]: the hours in which a person is left alone by what can wait.
//! - [`escalation`]: which level is told next, and when, until somebody acts.
//! - [`cap`]: how many messages a person gets in a while, and when the rest become one.
//!
//! Everything here is pure: the caller says what time it is and what has happened, and does what comes out. What is configured and what has to
//! be remembered is serde, so that it can be stored as JSON. Instants are UTC; local times stand beside their zone.

pub mod calendar;
pub mod cap;
pub mod escalation;
pub mod local;
pub mod priority;
pub mod quiet;
pub mod rota;

pub use priority::Priority;
