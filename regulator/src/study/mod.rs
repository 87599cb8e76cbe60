//! The settings study: recorded readings replayed through the control model with other settings.
//!
//! A [`Recording`] holds what was measured, a [`Model`] what is assumed of the line and the load, a [`Replay`] both made ready. Each run with
//! some settings gives an [`Outcome`]; [`Replay::recorded`] gives the same figures of what really happened. Start with [`model_error`]: a model that
//! does not give back the past says nothing about other settings.
//!
//! - [`Recording::from_readings`] takes readings, counts what was missing, and says how the two voltages agree with the tap.
//! - [`Replay::run`] answers for one set of settings, [`Sweep`] draws a map over bandwidth and delay, [`load_spread`] shows how much the
//!   assumption about the load matters, [`cascade`] replays regulators in series.
//! - [`Comparison`] puts it all side by side, [`setting`] names the settings for forms and options, [`InForce`] finds those that were in force.
//! - [`Widening`](crate::control::Widening) and [`Timing`](crate::control::Timing) are settings like any other.
//!
//! What regulating the source side in reverse would do rests on the measured source voltage, taken not to answer the tap (generation behind the
//! unit). Where it was not measured the replayed control stays, and [`Outcome::source_unknown_s`] counts it.
//!
//! What it cannot know: what the voltage did between readings (so readings 10 s apart find every tap, readings a minute apart do not), what a tap
//! changes upstream unless the source impedance is given, and what else would have acted differently (capacitors, inverters that hold the
//! voltage). A result is evidence about settings; changing them remains with whoever answers for the feeder.
//!
//! How well it does is tested against an independent engine in `regulator/tests/engine`: the same taps for the same settings, and
//! other settings foretold as the engine has them when the day is solved again.
//!
//! ```
//! use regulator::control::ControlSettings;
//! use regulator::study::{Model, Recording, Replay, Sample, Sweep, model_error};
//!
//! // An hour of samples 10 s apart; `Recording::from_readings` makes them of readings.
//! let samples: Vec<Sample> = (0..360).map(|i| {
//!     let at_s = 10.0 * f64::from(i);
//!     Sample { current: Some((0.6, 0.2)), ..Sample::new(at_s, 121.5 + 1.5 * (at_s / 300.0).sin()) }
//! }).collect();
//! let recording = Recording::from_samples(&samples, 60.0);
//! let replay = Replay::new(&recording, Model::default());
//!
//! // First: does the model give back what happened with the present settings?
//! let present = ControlSettings::common();
//! let error = model_error(&replay, &present);
//! println!("{} operations predicted, {} recorded", error.predicted, error.recorded);
//!
//! // Then other settings, beside what was.
//! let mut wider = present;
//! wider.forward.bandwidth_v = 4.0;
//! let (was, would_be) = (replay.recorded(&present), replay.run(&wider));
//! println!("{} operations instead of {}", would_be.operations, was.operations);
//! assert!(would_be.operations < replay.run(&present).operations);
//! assert!(would_be.voltage.quantile_v(0.95) >= would_be.voltage.quantile_v(0.05));
//!
//! // And a map, a row for each bandwidth.
//! let sweep = Sweep { base: present, bandwidths_v: vec![1.5, 2.0, 3.0], delays_s: vec![15.0, 30.0, 60.0] };
//! let map = sweep.map(&replay, 2);
//! assert!(map[2][2].operations <= map[0][0].operations);
//! ```

mod cascade;
mod coverage;
mod histogram;
mod model;
mod model_error;
mod outcome;
mod readings;
mod recording;
mod replay;
mod reverse;
mod run;
mod sample;
mod scan;
mod series;
mod sweep;
mod track;
mod wear;

mod comparison;
mod figures;
mod in_force;
pub mod setting;
mod trace;

pub use cascade::{Stage, cascade};
pub use coverage::{Coverage, Disagreement};
pub use histogram::{TapHistogram, VoltageHistogram};
pub use model::{Model, SeriesDrop};
pub use model_error::{ModelError, load_spread, model_error};
pub use outcome::{Outcome, RANGE_A_V, RANGE_B_V, UNDONE_WITHIN_S};
pub use readings::{Reduction, SourceVoltage, usual_interval_s};
pub use recording::Recording;
pub use replay::Replay;
pub use sample::Sample;
pub use sweep::{Cell, Sweep};
pub use track::{Move, Track};
pub use wear::Wear;

pub use comparison::{Comparison, Tried, Trust, doubts};
pub use figures::{FIGURES, Figure, Measure};
pub use in_force::{InForce, Origin};
pub use trace::{Column, Point, outline};

#[cfg(test)]
mod tests;
