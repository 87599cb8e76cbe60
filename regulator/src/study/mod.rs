//! The settings study: recorded readings replayed through the control model with other settings.

mod cascade;
mod histogram;
mod model;
mod model_error;
mod outcome;
mod readings;
mod recording;
mod replay;
mod sample;
mod scan;
mod sweep;
mod track;
mod wear;

pub use cascade::{Stage, cascade};
pub use histogram::{TapHistogram, VoltageHistogram};
pub use model::{Model, SeriesDrop};
pub use model_error::{ModelError, load_spread, model_error};
pub use outcome::{Outcome, RANGE_A_V, RANGE_B_V, UNDONE_WITHIN_S};
pub use readings::{Coverage, Disagreement, Reduction, SourceVoltage};
pub use recording::Recording;
pub use replay::Replay;
pub use sample::Sample;
pub use sweep::{Cell, Sweep};
pub use track::{Move, Track};
pub use wear::Wear;

#[cfg(test)]
mod tests;
