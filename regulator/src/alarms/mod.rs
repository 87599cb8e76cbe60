//! Alarm management after ANSI/ISA-18.2 and IEC 62682: what becomes of a condition's transitions before and after people see them.
//!
//! [`Life`] is the state model: what an event does to an alarm in each of its states. [`chatter`] holds an alarm that comes and goes
//! as one. [`flood`] tells when more alarms come than one person can answer. [`quality`] measures a period's alarms against
//! the standard's figures.

pub mod chatter;
pub mod flood;
pub mod quality;
mod state;

pub use state::{Effect, Event, Hold, Holds, Life, Process, Refusal, State, Step};
