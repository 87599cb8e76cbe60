//! Causes: why a regulator tapped.
//!
//! The work goes backwards from the control's model ([`crate::control`]): an operation in automatic means that the voltage which the control
//! holds had been out of band for about its delay. So the readings before are searched for the moment when it left the band, and
//! for what had moved it: the supply (source voltage, or load voltage over the ratio of the tap), the load's drop along the line
//! before the regulator and in the compensator ([`LineDrop`] learns the line from the readings), or a step that an upstream regulator
//! had made in the last three minutes. What moved it most, towards the edge it passed, is the cause; how much of the movement it made, and how directly that
//! was measured, is the confidence. Then:
//!
//! - a change by load counts as *clouds* when power swings both ways again and again in hours of sun, in ramps rather than jumps, without
//!   its reactive part (a load changes both, solar at unity power factor one), and the nights are quiet;
//! - an operation undone within five minutes, or undoing one, is *hunting* when little outside moved: in a band of less than two steps the step
//!   itself took the voltage past the other edge, or nearly. Five minutes is the definition of an unnecessary operation of V. R. Disfani et al. (California Solar
//!   Initiative RD&D3, subtask 4.4, final report, 2015); [`Assigned::undone_after_s`] tells it for every operation, whatever its cause;
//! - in manual, travel that comes back to where it began is *exercise*; so is a pair from within the band for which no voltage asked.
//!
//! # How sure
//!
//! All of it is an estimate from samples a poll apart. Assumed: the regulator's own impedance is small; the line upstream does not change; a load
//! elsewhere on the feeder counts as supply. With neither power nor current, load and supply cannot be told apart, and without set voltage and
//! bandwidth nobody can say what was out of band: then the cause is [`Cause::Unexplained`] or has little confidence.
//!
//! # Use
//!
//! One [`Watcher`] a regulator, fed in order of time. Causes need a look ahead of a few minutes, in the readings' own time: [`Watcher::settle`]
//! gives what can be said by then, and wants to know what the upstream regulators did.
//!
//! ```
//! use regulator::{Nameplate, Quantity, Reading, Timestamp, causes::{Cause, Facts, Place, Shares, Watcher}};
//!
//! let facts = Facts::new(&Nameplate::common(), Place::Coordinates { latitude: 40.0, longitude: -105.0 });
//! let at = |s: i64| Timestamp::from_timestamp(1_767_225_600 + s, 0).unwrap();
//! let mut watcher = Watcher::default();
//! let mut done = Shares::default();
//! for s in (0..1200).step_by(10) {
//!     // the supply falls by 1.5 V after ten minutes, and the control raises after its delay of 30 s
//!     let source = if s < 600 { 122.0 } else { 120.5 };
//!     let tap = if s <= 630 { 0.0 } else { 1.0 };
//!     let reading = Reading::new(at(s))
//!         .with(Quantity::SourceVoltage, source)
//!         .with(Quantity::LoadVoltage, source + 0.75 * tap)
//!         .with(Quantity::Current, 100.0)
//!         .with(Quantity::RealPower, 720.0)
//!         .with(Quantity::Tap, tap)
//!         .with(Quantity::Operations, 500.0 + tap)
//!         .with(Quantity::SetVoltage, 122.0)
//!         .with(Quantity::Bandwidth, 2.0)
//!         .with(Quantity::TimeDelay, 30.0);
//!     if let Some(operation) = watcher.observe(&facts, &reading) {
//!         // keep operation.window() for the regulators downstream
//!         assert_eq!(operation.steps(), Some(1));
//!     }
//!     // everything measured before this instant has been observed, here and upstream
//!     for assigned in watcher.settle(&facts, at(s), &[]) {
//!         assert_eq!(assigned.cause, Cause::Source);
//!         assert!(assigned.confidence > 0.6);
//!         done.count(&assigned);
//!     }
//! }
//! assert_eq!(done.operations(Cause::Source), 1);
//! ```
//!
//! A follower of the feed observes every regulator's readings of a batch, keeps the [`OperationWindow`]s of the last half hour, and then settles
//! each with the windows of the regulators upstream of it. [`Watcher::learned`] is small and worth keeping between runs; the rest is back after
//! twenty minutes of readings.

mod clouds;
mod drop;
mod excursion;
mod judge;
mod pairs;
mod parts;
mod samples;
mod shares;
mod sun;
mod swings;
mod upstream;
mod watcher;

pub use drop::LineDrop;
pub use shares::Shares;
pub use sun::{Daylight, Place, elevation_degrees};
pub use swings::DayAndNight;
pub use upstream::OperationWindow;
pub use watcher::{Learned, Watcher};

use serde::{Deserialize, Serialize};

use crate::{Nameplate, conditions::Fact, operations::Operation, taps::TapChanger};

/// An operation undone within this time was unnecessary (Disfani et al. 2015), s.
pub const UNDONE_S: f64 = 300.0;

/// Why an operation happened. The names are a contract: they are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[repr(u8)]
pub enum Cause {
    /// The load changed, or another power behind the regulator, slowly or in a step.
    Load = 0,
    /// The voltage on the source side changed, not by this regulator's load.
    Source = 1,
    /// Generation that swings with the clouds.
    Clouds = 2,
    /// The operation before, or the next one, undid it without anything outside having moved.
    Hunting = 3,
    /// A regulator upstream had just tapped.
    Upstream = 4,
    /// Set voltage, bandwidth or compensator were changed.
    Setting = 5,
    /// The contacts were exercised.
    Exercise = 6,
    /// Somebody tapped it by hand, or from afar.
    Manual = 7,
    /// Cannot tell.
    Unexplained = 8,
}

impl Cause {
    /// How many there are.
    pub const COUNT: usize = Self::ALL.len();

    /// Every cause, in the order shown to people.
    pub const ALL: &'static [Self] = &[
        Self::Load,
        Self::Source,
        Self::Clouds,
        Self::Hunting,
        Self::Upstream,
        Self::Setting,
        Self::Exercise,
        Self::Manual,
        Self::Unexplained,
    ];

    /// Place in [`Cause::ALL`].
    #[must_use]
    pub const fn index(self) -> usize {
        self as usize
    }

    /// Name in tables and files; the same as the stored one.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Load => "load",
            Self::Source => "source",
            Self::Clouds => "clouds",
            Self::Hunting => "hunting",
            Self::Upstream => "upstream",
            Self::Setting => "setting",
            Self::Exercise => "exercise",
            Self::Manual => "manual",
            Self::Unexplained => "unexplained",
        }
    }

    /// The words shown to people.
    #[must_use]
    pub const fn title(self) -> &'static str {
        match self {
            Self::Load => "load change",
            Self::Source => "source voltage change",
            Self::Clouds => "clouds over solar",
            Self::Hunting => "hunting",
            Self::Upstream => "answer to an upstream regulator",
            Self::Setting => "setting change",
            Self::Exercise => "exercise",
            Self::Manual => "manual",
            Self::Unexplained => "unexplained",
        }
    }

    /// The cause of this name, if there is one.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|cause| cause.name() == name)
    }
}

/// An operation with its cause.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Assigned {
    /// What happened.
    pub operation: Operation,
    /// Why, most likely.
    pub cause: Cause,
    /// How sure that is, 0 to 1: a judgement from the numbers, not a measured probability.
    pub confidence: f64,
    /// The numbers it rests on, or why nothing can be said.
    pub evidence: Vec<Fact>,
    /// In a few words: why it is sure or not.
    pub because: String,
    /// How soon an operation the other way followed, if within [`UNDONE_S`], s.
    pub undone_after_s: Option<f64>,
}

/// What is known of one regulator besides its readings, worked out once.
#[derive(Debug, Clone, PartialEq)]
pub struct Facts {
    /// Volts that a step is worth.
    pub step_v: f64,
    /// Where the operation counter starts again at zero.
    pub counter_modulus: u64,
    /// How often it is polled, s.
    pub poll_s: f64,
    /// Where it stands.
    pub place: Place,
    /// Delay where the control reports none, s.
    pub usual_delay_s: f64,
    kva: f64,
    rated_current_a: f64,
    volts_per_secondary_volt: f64,
    ct_primary_a: f64,
    changer: TapChanger,
}

impl Facts {
    /// Of this nameplate at this place. The rated primary current of the current transformer, which compensator settings refer to, is taken as
    /// 0.2 A times its ratio (common practice in regulators).
    #[must_use]
    pub fn new(nameplate: &Nameplate, place: Place) -> Self {
        Self {
            step_v: nameplate.step_volts(),
            counter_modulus: nameplate.counter_modulus,
            poll_s: nameplate.poll_interval_s,
            place,
            usual_delay_s: 30.0,
            kva: (nameplate.rated_voltage_v * nameplate.rated_current_a / 1000.0).max(1.0),
            rated_current_a: nameplate.rated_current_a.max(1.0),
            volts_per_secondary_volt: nameplate.pt_ratio,
            ct_primary_a: (0.2 * nameplate.ct_ratio).max(1.0),
            changer: TapChanger::of(nameplate),
        }
    }
}
