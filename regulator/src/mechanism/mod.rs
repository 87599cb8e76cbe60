//! What readings tell about the mechanism: whether tap and counter agree, whether a tap that was called for came, and how long a
//! travel lasts.
//!
//! - [`Ledger`]: keeps what the tap report and the operation counter each say, and compares them once both are at rest;
//! - [`Demand`]: the voltage calls for a tap and the control has every reason to make it;
//! - [`Travel`]: the mechanism has been under way for longer than a step can take.
//!
//! All rules of thumb of common practice; none proves a fault. A control that regulates in ways that it does not report (voltage
//! reduction, a schedule, a master) has its reasons, so each rule leaves room and says what it could not know.

mod demand;
mod ledger;
mod travel;

pub use demand::{Allowance, Demand, Unjudged};
pub use ledger::{Ledger, News, Settled, Verdict};
pub use travel::Travel;
