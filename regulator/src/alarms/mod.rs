//! Alarm management after ANSI/ISA-18.2 and IEC 62682: what becomes of a condition's transitions before and after people see them.
//!
//! [`chatter`] holds an alarm that comes and goes as one. [`flood`] tells when more alarms come than one person can answer.
//! [`quality`] measures a period's alarms against the standard's figures.

pub mod chatter;
pub mod flood;
pub mod quality;
