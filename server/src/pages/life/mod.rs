//! What the analysis has written down, as several pages need it: lives, days, causes.

mod causes;
mod days;
mod lives;
#[cfg(test)]
pub(super) mod testing;

pub(super) use causes::{add, by_period, by_regulator, cause, coverage};
pub(super) use days::{Day, each_day, operations_before, tap_days};
pub(super) use lives::{Lived, exercise_rule, load};
