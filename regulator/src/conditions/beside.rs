//! What is known beside a regulator's own reading when that is judged: what its neighbours report at about that time.
//!
//! Whoever feeds detectors works it out from the readings of the others, in order of time. Nothing of it is needed: without, a unit
//! is judged by itself.

use crate::audit::Neighbour;

/// What its neighbours report.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Beside {
    /// A neighbour on the same bus with a source voltage, for a unit without one of its own.
    pub source: Option<Neighbour>,
    /// In a bank that moves together, or may do so: the others of the bank.
    pub ganged: Option<Ganged>,
}

/// The others of a bank that moves together. One control moves them all, by one of them or by their mean; which is not known, but
/// a tap that every one calls for is called for whichever it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ganged {
    /// Nothing while one of them has no close reading with a good load voltage: then it cannot be told.
    pub others: Option<Others>,
}

/// Of all others.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Others {
    /// Lowest load voltage, V on the 120 V base.
    pub lowest_v: f64,
    /// Highest, V on the 120 V base.
    pub highest_v: f64,
}
