//! What the poller knows of itself: counted as it works, told as OpenMetrics and kept in the health tables.

mod counters;
mod endpoints;
mod histogram;
mod listen;
mod openmetrics;

pub use counters::{Counters, Shared};
pub use endpoints::{EndpointState, Endpoints};
pub use histogram::Histogram;
pub use listen::serve;
