//! The standard's figures for a well-kept alarm system, per person who answers alarms.
//!
//! ANSI/ISA-18.2-2016 and IEC 62682 state for rates a figure that is very likely acceptable and one that is the most manageable; for
//! most others one target. EEMUA 191 (3rd edition, 2013) has the same rates. Which were looked up and which are from memory is
//! stated with each; where the standard has one figure alone, what counts as far above it is ours.

/// How sure a figure is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Certainty {
    /// Found in the words of secondary sources that quote the standard.
    LookedUp,
    /// Recalled, not looked up.
    FromMemory,
}

impl Certainty {
    /// In words, for a page that shows the figure.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::LookedUp => "looked up in secondary sources",
            Self::FromMemory => "from memory",
        }
    }
}

/// What a value is held against.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figure {
    /// At or below this it is as it should be (at or above, where `at_least`).
    pub acceptable: f64,
    /// Beyond this it is far above.
    pub most: f64,
    /// Whether `most` is the standard's most manageable figure; else it is ours.
    pub most_is_standard: bool,
    /// Whether more is better.
    pub at_least: bool,
    /// The document.
    pub source: &'static str,
    /// How sure `acceptable` is.
    pub certainty: Certainty,
}

/// How a value stands to its figure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// As it should be.
    Within,
    /// Beyond what is acceptable.
    Above,
    /// Beyond what can be managed.
    FarAbove,
    /// It cannot be told; why.
    CannotTell(&'static str),
    /// The standard has no figure for it.
    NoFigure,
}

impl Figure {
    /// How `value` stands to it.
    #[must_use]
    pub fn judge(&self, value: f64) -> Verdict {
        let beyond = |limit: f64| if self.at_least { value < limit } else { value > limit };
        match (beyond(self.acceptable), beyond(self.most)) {
            (false, _) => Verdict::Within,
            (true, false) => Verdict::Above,
            (true, true) => Verdict::FarAbove,
        }
    }
}

const ISA: &str = "ANSI/ISA-18.2-2016, IEC 62682, EEMUA 191";

const fn rate(acceptable: f64, most: f64, certainty: Certainty) -> Figure {
    Figure { acceptable, most, most_is_standard: true, at_least: false, source: ISA, certainty }
}

const fn target(acceptable: f64, most: f64, certainty: Certainty) -> Figure {
    Figure { acceptable, most, most_is_standard: false, at_least: false, source: ISA, certainty }
}

use Certainty::{FromMemory, LookedUp};

/// Annunciations a day.
pub const PER_DAY: Figure = rate(150.0, 300.0, FromMemory);
/// Annunciations an hour.
pub const PER_HOUR: Figure = rate(6.0, 12.0, FromMemory);
/// Annunciations in ten minutes.
pub const PER_TEN_MINUTES: Figure = rate(1.0, 2.0, LookedUp);
/// Most in any ten minutes.
pub const MOST_IN_TEN_MINUTES: Figure = target(10.0, 20.0, LookedUp);
/// Share of hours with more than 30, %.
pub const BUSY_HOURS: Figure = target(1.0, 5.0, FromMemory);
/// Share of ten-minute intervals with more than 10, %.
pub const BUSY_TEN_MINUTES: Figure = target(1.0, 5.0, FromMemory);
/// Share of the time in flood, %.
pub const IN_FLOOD: Figure = target(1.0, 5.0, FromMemory);
/// Share of the ten most frequent alarms, %: below 1 to 5 %.
pub const TEN_MOST_FREQUENT: Figure = rate(1.0, 5.0, FromMemory);
/// Alarms that chatter.
pub const CHATTERING: Figure = target(0.0, 5.0, FromMemory);
/// Alarms that are fleeting.
pub const FLEETING: Figure = target(0.0, 5.0, FromMemory);
/// Most alarms that stand for more than a day at once: fewer than five.
pub const STALE: Figure = target(4.0, 10.0, FromMemory);
/// Alarms shelved for longer than allowed.
pub const SHELVED_TOO_LONG: Figure = target(0.0, 0.0, FromMemory);
/// Share of each priority, %: low, medium, high, critical. Low is at least, the others at most.
pub const PRIORITIES: [Figure; 4] = [
    Figure { at_least: true, ..target(80.0, 60.0, FromMemory) },
    target(15.0, 30.0, FromMemory),
    target(5.0, 10.0, FromMemory),
    target(1.0, 2.0, FromMemory),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_figures_themselves_are_within() {
        let of = |v: f64| PER_DAY.judge(v);
        assert_eq!(
            [150.0, 150.1, 300.0, 300.1].map(of),
            [Verdict::Within, Verdict::Above, Verdict::Above, Verdict::FarAbove]
        );
        let low = |v: f64| PRIORITIES[0].judge(v);
        assert_eq!([80.0, 79.0, 59.0].map(low), [Verdict::Within, Verdict::Above, Verdict::FarAbove]);
        assert_eq!([0.0, 1.0].map(|v| SHELVED_TOO_LONG.judge(v)), [Verdict::Within, Verdict::FarAbove]);
    }

    /// A day's, an hour's and ten minutes' rates are one another's multiples, roughly: 1 in 10 min is 6 an hour, 144 a day.
    #[test]
    fn the_rates_agree_with_one_another() {
        for figure in [|f: &Figure| f.acceptable, |f: &Figure| f.most] {
            assert!((figure(&PER_TEN_MINUTES) * 6.0 - figure(&PER_HOUR)).abs() < 1e-9);
            assert!((figure(&PER_HOUR) * 24.0 / figure(&PER_DAY) - 1.0).abs() < 0.05);
        }
    }
}
