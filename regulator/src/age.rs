//! How old a carried value is, in one byte.

/// The age of a quantity when the reading that carries it was taken: exact to the second below a minute, then to the minute,
/// the hour and the day, always rounded down.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, PartialOrd, Ord)]
pub struct Age(u8);

/// Codes from `first` on stand for `from`, `from + 1`, ... of a unit of so many seconds.
struct Scale {
    first: u8,
    from: u64,
    unit_s: u64,
}

const MINUTE: u64 = 60;
const HOUR: u64 = 3600;
const DAY: u64 = 86_400;
const SCALES: [Scale; 4] = [
    Scale { first: 0, from: 0, unit_s: 1 },
    Scale { first: 60, from: 1, unit_s: MINUTE },
    Scale { first: 119, from: 1, unit_s: HOUR },
    Scale { first: 166, from: 2, unit_s: DAY },
];

impl Age {
    /// Measured with the reading itself, or less than a second before.
    pub const NONE: Self = Self(0);
    /// 91 days or more.
    pub const OLDEST: Self = Self(255);

    /// Of so many seconds.
    #[must_use]
    pub fn from_seconds(seconds: u64) -> Self {
        let scale = SCALES.iter().rev().find(|s| seconds >= s.from * s.unit_s);
        let code = scale.map_or(0, |s| u64::from(s.first) + seconds / s.unit_s - s.from);
        Self(u8::try_from(code).unwrap_or(u8::MAX))
    }

    /// In seconds, rounded down.
    #[must_use]
    pub fn seconds(self) -> u64 {
        let scale = SCALES.iter().rev().find(|s| self.0 >= s.first);
        scale.map_or(0, |s| (u64::from(self.0 - s.first) + s.from) * s.unit_s)
    }

    /// The stored number.
    #[must_use]
    pub const fn code(self) -> u8 {
        self.0
    }

    /// The age stored as `code`.
    #[must_use]
    pub const fn from_code(code: u8) -> Self {
        Self(code)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn ages_grow_coarser() {
        for (seconds, shown) in [
            (0, 0),
            (59, 59),
            (60, 60),
            (119, 60),
            (3599, 3540),
            (3600, 3600),
            (7199, 3600),
            (2 * DAY - 1, 47 * HOUR),
            (2 * DAY, 2 * DAY),
            (91 * DAY, 91 * DAY),
            (900 * DAY, 91 * DAY),
        ] {
            assert_eq!(Age::from_seconds(seconds).seconds(), shown, "{seconds}");
        }
        assert_eq!(Age::from_seconds(91 * DAY), Age::OLDEST);
    }

    #[test]
    fn every_code_is_itself_again() {
        for code in 0..=255 {
            assert_eq!(Age::from_seconds(Age::from_code(code).seconds()).code(), code);
        }
    }

    proptest! {
        #[test]
        fn no_age_is_made_older_than_it_is_and_none_younger_than_half(seconds in 0_u64..91 * DAY) {
            let shown = Age::from_seconds(seconds).seconds();
            prop_assert!(shown <= seconds && seconds <= 2 * shown.max(1));
        }
    }
}
