//! In what time a person should respond to an alarm, rationalised together with its priority.
//!
//! ISA-18.2 and IEC 62682 have each alarm's priority follow from how grave its consequence is and how long there is to avert it (from
//! memory). The times themselves are ours, for a desk that watches and a crew that drives: a critical alarm within a quarter of an
//! hour, a high one within the hour, a medium one this shift, a low one within a week.

use chrono::TimeDelta;

/// The time from an alarm's being told to its being responded to, whole minutes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct RespondWithin {
    minutes: u32,
}

impl RespondWithin {
    /// A shift: eight hours.
    pub const THIS_SHIFT: Self = Self::hours(8);
    /// Seven days.
    pub const THIS_WEEK: Self = Self::hours(7 * 24);

    /// So many minutes.
    #[must_use]
    pub const fn minutes(minutes: u32) -> Self {
        Self { minutes }
    }

    /// So many hours.
    #[must_use]
    pub const fn hours(hours: u32) -> Self {
        Self { minutes: hours * 60 }
    }

    /// As a span of time.
    #[must_use]
    pub fn span(self) -> TimeDelta {
        TimeDelta::minutes(self.minutes.into())
    }

    /// As people say it.
    #[must_use]
    pub fn words(self) -> String {
        match self {
            Self::THIS_SHIFT => "this shift".to_owned(),
            Self::THIS_WEEK => "within a week".to_owned(),
            Self { minutes: 60 } => "within an hour".to_owned(),
            Self { minutes } if minutes > 60 && minutes % 60 == 0 => format!("within {} hours", minutes / 60),
            Self { minutes } => format!("within {minutes} minutes"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::{Condition, Priority};

    #[test]
    fn the_words_are_those_of_the_desk() {
        let of = [
            RespondWithin::minutes(15),
            RespondWithin::hours(1),
            RespondWithin::hours(2),
            RespondWithin::THIS_SHIFT,
            RespondWithin::THIS_WEEK,
        ];
        let words = ["within 15 minutes", "within an hour", "within 2 hours", "this shift", "within a week"];
        assert_eq!(of.map(RespondWithin::words), words);
        assert_eq!(Condition::Runaway.respond_within_words(), "within 10 minutes");
        assert_eq!(Condition::WearLimit.respond_within(), TimeDelta::hours(8));
    }

    #[test]
    fn longer_times_never_go_with_higher_priorities() {
        for a in Condition::all() {
            for b in Condition::all().filter(|b| b.priority() < a.priority()) {
                assert!(a.respond_within() <= b.respond_within(), "{a:?} is above {b:?}");
            }
        }
    }

    #[test]
    fn each_priority_has_its_range() {
        for condition in Condition::all() {
            let range = match condition.priority() {
                Priority::Critical => 10..=15,
                Priority::High => 16..=60,
                Priority::Medium => 61..=480,
                Priority::Low => 481..=10_080,
            };
            assert!(range.contains(&condition.respond_within().num_minutes()), "{condition:?}");
        }
    }
}
