//! The positions a unit may take, and what its range is worth.
//!
//! A unit has half its steps on either side of neutral; where its range is limited (on purpose, by stops or by settings), the
//! nameplate's lowest and highest tap say so. The step is 20 % over the step count: 5/8 % for 32 (IEEE C57.15).

use crate::Nameplate;

/// Permitted positions, both ends included; raise positive.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TapRange {
    lowest: i32,
    highest: i32,
    steps: i32,
}

/// Why a nameplate states no usable range.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum RangeError {
    /// The step count is not an even number from 2 to 200.
    #[error("a step count is even, 2 to 200 over the whole range, not {0}")]
    StepCount(u32),
    /// A limit lies beyond what the unit has, or the lowest above the highest.
    #[error("a unit of {steps} steps a side cannot be limited to {lowest:+} to {highest:+}")]
    Limits {
        /// Lowest permitted tap.
        lowest: i32,
        /// Highest permitted tap.
        highest: i32,
        /// Steps on either side of neutral.
        steps: i32,
    },
}

impl TapRange {
    /// The range of this nameplate.
    ///
    /// # Errors
    /// If the step count is odd, none or out of reason, or the limits lie outside the unit's own steps or the wrong way round.
    pub fn of(nameplate: &Nameplate) -> Result<Self, RangeError> {
        let count = nameplate.step_count;
        let half =
            i32::try_from(count / 2).ok().filter(|half| (1..=100).contains(half) && count.is_multiple_of(2));
        let steps = half.ok_or(RangeError::StepCount(count))?;
        let (lowest, highest) = (nameplate.tap_min, nameplate.tap_max);
        if lowest > highest || lowest < -steps || highest > steps {
            return Err(RangeError::Limits { lowest, highest, steps });
        }
        Ok(Self { lowest, highest, steps })
    }

    /// Lowest permitted tap.
    #[must_use]
    pub const fn lowest(&self) -> i32 {
        self.lowest
    }

    /// Highest permitted tap.
    #[must_use]
    pub const fn highest(&self) -> i32 {
        self.highest
    }

    /// Whether the unit may stand at this tap.
    #[must_use]
    pub const fn contains(&self, tap: i32) -> bool {
        self.lowest <= tap && tap <= self.highest
    }

    /// What one step is worth, percent.
    #[must_use]
    pub fn step_percent(&self) -> f64 {
        10.0 / f64::from(self.steps)
    }

    /// How far the permitted range reaches from neutral on its wider side, percent: 10 for the whole of it. The wider side
    /// is the one that the current rating follows, because there the winding carries its current through more turns.
    #[must_use]
    pub fn reach_percent(&self) -> f64 {
        f64::from(self.lowest.abs().max(self.highest.abs())) * self.step_percent()
    }

    /// Steps left in the direction (positive raise, negative lower) before a limit; none beyond it.
    #[must_use]
    pub fn steps_left(&self, tap: i32, direction: i32) -> i32 {
        let left = if direction >= 0 { self.highest - tap } else { tap - self.lowest };
        left.max(0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::checks::check;

    fn limited(lowest: i32, highest: i32) -> Result<TapRange, RangeError> {
        TapRange::of(&Nameplate { tap_min: lowest, tap_max: highest, ..Nameplate::common() })
    }

    #[test]
    fn the_common_unit_has_sixteen_steps_of_five_eighths_a_side() {
        let range = TapRange::of(&Nameplate::common()).unwrap();
        let source = "IEEE C57.15: 32 steps over ±10 % (from memory)";
        check("step of the common unit, %", source, 0.625, range.step_percent(), 1e-12);
        check("reach of the common unit, %", source, 10.0, range.reach_percent(), 1e-12);
        assert!(range.contains(16) && range.contains(-16) && !range.contains(17));
        assert_eq!((range.steps_left(14, 1), range.steps_left(14, -1), range.steps_left(17, 1)), (2, 30, 0));
    }

    #[test]
    fn the_wider_side_is_the_reach() {
        assert!((limited(-8, 12).unwrap().reach_percent() - 7.5).abs() < 1e-12);
        assert!((limited(-8, 8).unwrap().reach_percent() - 5.0).abs() < 1e-12);
    }

    #[test]
    fn nonsense_is_refused_with_what_is_wrong() {
        assert_eq!(
            limited(-17, 16).unwrap_err().to_string(),
            "a unit of 16 steps a side cannot be limited to -17 to +16"
        );
        assert!(limited(4, -4).is_err());
        for step_count in [0, 7, 1000] {
            let odd = TapRange::of(&Nameplate { step_count, ..Nameplate::common() });
            assert_eq!(odd.unwrap_err(), RangeError::StepCount(step_count));
        }
    }
}
