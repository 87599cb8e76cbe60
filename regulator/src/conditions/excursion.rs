//! A measured value's leaving its limit for a time, with the worst it reached.

use serde::{Deserialize, Serialize};

use super::{
    Change,
    hold::{Delays, Hold},
};
use crate::Timestamp;

/// Which way is out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Side {
    Low,
    High,
}

/// What one value has to pass to be out, and to be inside again.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Bound {
    pub(super) side: Side,
    /// Beyond this it is out.
    pub(super) limit: f64,
    /// At or within this it is inside again; lies inside `limit`.
    pub(super) inside: f64,
    pub(super) delays: Delays,
}

impl Bound {
    pub(super) fn is_out(&self, value: f64) -> bool {
        match self.side {
            Side::Low => value < self.limit,
            Side::High => value > self.limit,
        }
    }

    fn is_inside(&self, value: f64) -> bool {
        match self.side {
            Side::Low => value >= self.inside,
            Side::High => value <= self.inside,
        }
    }

    fn worse(&self, a: f64, b: f64) -> f64 {
        match self.side {
            Side::Low => a.min(b),
            Side::High => a.max(b),
        }
    }
}

/// The state: out or not, and the worst value since it went out.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Excursion {
    pub(super) hold: Hold,
    worst: Option<f64>,
}

impl Excursion {
    /// Whether a value that is not out would change nothing.
    pub(super) const fn is_quiet(&self) -> bool {
        self.hold.is_idle() && self.worst.is_none()
    }

    /// Takes one good value.
    pub(super) fn observe(&mut self, at: Timestamp, value: f64, bound: &Bound) -> Option<Change> {
        let contradicts = if self.hold.is_active() { bound.is_inside(value) } else { bound.is_out(value) };
        if bound.is_out(value) {
            self.worst = Some(self.worst.map_or(value, |worst| bound.worse(worst, value)));
        }
        let change = self.hold.observe(at, contradicts, bound.delays);
        if self.hold.is_idle() && change.is_none() {
            self.worst = None;
        }
        change
    }

    /// The worst value of the present excursion, or `value` where none is known.
    pub(super) fn worst(&self, value: f64) -> f64 {
        self.worst.unwrap_or(value)
    }
}
