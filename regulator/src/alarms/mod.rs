//! Alarm management after ANSI/ISA-18.2 and IEC 62682: the life of an alarm, apart from the conditions that raise it.

mod state;

pub use state::{Effect, Event, Hold, Holds, Life, Process, Refusal, State, Step};
