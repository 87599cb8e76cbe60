//! Conditions: rules that can be true of a regulator, a bank, an endpoint, a poller, a substation or a part of Tapkeeper itself.
//!
//! Each is a pure state machine, (settings, state, event) -> (state, transitions). The same code runs live, in a backtest and
//! in tests; the same events give the same transitions however they are cut into pieces. Nothing here reads a clock:
//! deadlines are computed from the events, so a transition carries the instant it became true, not the one it was noticed.

//!
//! [`Condition`] is the catalogue. [`RegulatorDetector`], [`BankDetector`], [`EndpointDetector`], [`PollerDetector`], [`AreaDetector`] and
//! [`PartDetector`] hold the states of all conditions of one thing; each condition has a file of its own, which states its rule.

mod area_silent;
mod bank_detector;
mod beside;
mod blocked_or_manual_too_long;
mod catalogue;
mod cloud_driven_tapping;
mod counter_anomaly;
mod endpoint_silent;
mod excess_tapping;
mod excursion;
mod exercise_due;
mod harmonic_distortion;
mod hold;
mod hunting;
mod mechanism_suspect;
mod not_automatic;
mod off_standard;
mod overload;
mod packed;
mod part_stopped;
mod poller_silent;
mod readings_stale;
mod recent;
mod regulator_detector;
mod reverse_power;
mod runaway;
mod settings;
mod settings_changed;
mod slipped_tap_report;
mod tap_limit;
mod tap_spread;
mod voltage_range;
mod voltage_unbalance;
mod wear_limit;
mod words;

#[cfg(test)]
mod audit_of_delays;
#[cfg(test)]
mod bank_replay;
#[cfg(test)]
mod bank_story;
#[cfg(test)]
mod replay;
#[cfg(test)]
mod story;

pub use area_silent::{AreaDetector, AreaLimits};
pub use bank_detector::{BankDetector, BankUnit, Member};
pub use beside::{Beside, Ganged, Others};
pub use catalogue::{Condition, Parameter, Priority, RespondWithin, Scope, Silence};
pub use endpoint_silent::{EndpointDetector, Report};
pub use part_stopped::{PartDetector, Work};
pub use poller_silent::PollerDetector;
pub use regulator_detector::{RegulatorDetector, Unit};
pub use settings::Settings;

use serde::{Deserialize, Serialize};

use crate::Timestamp;

/// One number that led to a transition.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fact {
    /// What it is, for people.
    pub label: String,
    /// The number.
    pub value: f64,
    /// Its unit symbol, or empty.
    pub unit: String,
}

/// Whether a condition became true or stopped being so.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Change {
    /// It became true.
    Raised,
    /// It is true no longer.
    Returned,
}

/// A condition's becoming true, or ceasing to be.
#[derive(Debug, Clone, PartialEq)]
pub struct Transition {
    /// Which condition.
    pub condition: Condition,
    /// Raised or returned.
    pub change: Change,
    /// When it became so, by the readings' clock.
    pub at: Timestamp,
    /// One line with the numbers, without the name of the place: "load voltage 112.9 V, below 114 V for 5 min".
    pub summary: String,
    /// The numbers themselves.
    pub facts: Vec<Fact>,
}
