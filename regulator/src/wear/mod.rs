//! Contact wear: an estimate of how far each arcing contact of a tap changer is worn, from its operations.
//!
//! - [`contacts`]: which stationary contact and which finger break the current in each of the 64 transitions;
//! - [`Switching`]: how much current that is; [`Erosion`]: what breaking it costs;
//! - [`ContactWear`]: the accumulators of one unit, that can be stored and added (days to months); [`WearMeter`] fills them from
//!   readings;
//! - [`WearBasis`]: the settings of one unit, and the account of its whole life;
//! - [`start`]: what to assume of the time before the first reading;
//! - [`outlook`]: when the worst contact reaches its end, with a range, or why that cannot be told;
//! - [`sensitivity`]: how much the answer owes to each assumption.
//!
//! It is a ranking of units for inspection, no measurement: 50 000 operations at rated current is a type test of the kind
//! (IEC 60214-1), not a promise of life, and oil, coking, alignment and the maker's contacts are not in it. What is
//! assumed is named where it enters. A share is of the life so defined: 1 is all of it.

mod accumulate;
mod basis;
pub mod contacts;
mod erosion;
mod forecast;
mod meter;
mod sensitivity;
mod start;
mod switching;

pub use accumulate::{ContactWear, PART_COUNT, Part, Wear};
pub use basis::{Account, NoAccount, Past, WearBasis};
pub use contacts::{Break, Dial, Finger};
pub use erosion::{EXPONENTS, Erosion, half_cycle_charge_c};
pub use forecast::{CannotTell, DayShare, ForecastRules, Outlook, outlook};
pub use meter::{WearMeter, WearModel};
pub use sensitivity::{Sensitivity, Stroke, sensitivity};
pub use start::{StartAssumption, start};
pub use switching::Switching;

use serde::{Deserialize, Serialize};

/// An estimate with the range that its assumptions leave.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Estimate {
    /// Lowest.
    pub low: f64,
    /// With the assumptions as set.
    pub likely: f64,
    /// Highest.
    pub high: f64,
}

impl Estimate {
    /// What is left of one, of a share used: the most where the least was used. Never below nothing.
    #[must_use]
    pub fn left(self) -> Self {
        let left = |used: f64| (1.0 - used).max(0.0);
        Self { low: left(self.high), likely: left(self.likely), high: left(self.low) }
    }
}

impl std::ops::Add for Estimate {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self { low: self.low + other.low, likely: self.likely + other.likely, high: self.high + other.high }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_has_its_range_the_other_way_round() {
        let used =
            Estimate { low: 0.2, likely: 0.5, high: 1.3 } + Estimate { low: 0.1, likely: 0.1, high: 0.1 };
        let left = used.left();
        assert!(
            left.low == 0.0 && (left.high - 0.7).abs() < 1e-12 && (left.likely - 0.4).abs() < 1e-12,
            "{left:?}"
        );
    }
}
