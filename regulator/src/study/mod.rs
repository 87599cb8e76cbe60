//! The settings study: recorded readings replayed through the control model with other settings.

mod histogram;
mod model;
mod outcome;
mod recording;
mod replay;
mod sample;
mod scan;
mod track;
mod wear;

pub use histogram::{TapHistogram, VoltageHistogram};
pub use model::{Model, SeriesDrop};
pub use outcome::{Outcome, RANGE_A_V, RANGE_B_V, UNDONE_WITHIN_S};
pub use recording::Recording;
pub use replay::Replay;
pub use sample::Sample;
pub use track::{Move, Track};
pub use wear::Wear;

#[cfg(test)]
mod tests;
