//! The transport function (clause 8): fragments cut into segments that fit a frame, and put together again.

mod reassembly;
mod segment;
#[cfg(test)]
mod tests;

pub use reassembly::{Counters, Reassembly};
pub use segment::{Header, MAX_SEGMENT_DATA, Segments, Sequence};
