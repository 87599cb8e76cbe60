//! The settings study against an independent engine.
//!
//! OpenDSS (through the package opendssdirect.py, run from `.venv`, see `make peers`) solves a regulated line for a day in steps of 5 s and moves the taps with
//! its own regulator control. From what it tells of the source voltage and current our study predicts the taps: once freely, for the whole day, and once
//! decision by decision, with our control put where the engine's is at each step.
//!
//! Where the two differ by design:
//! - Once its delay runs the engine does not start it afresh when the voltage changes sides; ours does. And what it has queued while a sequence is cut
//!   short by a return into the band can act on the next excursion. In both ways it taps, now and then, before its delay is over: up to
//!   6 % of the moves of a restless day, counted below. Freely run, both come out at the same taps within the delay.
//! - The engine makes one tap a solution step at most; ours continues a sequence between samples. Here both are 5 s.
//! - The engine has no integrating delay and no band that widens.
//!
//! Line-drop compensation, band edges and delays mean the same in both; nothing is tuned for the comparison.

#![expect(clippy::unwrap_used, reason = "what fails here fails the test")]

mod agreement;
mod cases;
mod engine;
mod other_settings;
mod series;
mod widening;
