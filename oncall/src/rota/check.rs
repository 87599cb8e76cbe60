//! What can be wrong with a rota, in words that say what to do.

use super::{LevelNumber, Override, Rota};

/// Something that has to be put right before a rota can be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Fault {
    /// A level that was asked for is not there.
    #[error("there is no level {level}: the rota has {levels}, counted from 1")]
    UnknownLevel {
        /// What was asked for.
        level: LevelNumber,
        /// How many there are.
        levels: usize,
    },
    /// More levels than can be numbered.
    #[error("the rota has {0} levels: take some away, at most 255 can be called")]
    TooManyLevels(usize),
    /// A level without anybody.
    #[error("level {level} has nobody in its list of turns: add at least one person, or take the level away")]
    EmptyList {
        /// Where.
        level: LevelNumber,
    },
    /// A level whose turns begin never.
    #[error(
        "level {level} does not say when its first turn begins: give the date and the time of the handover"
    )]
    NoStart {
        /// Where.
        level: LevelNumber,
    },
    /// A turn that is over when it begins.
    #[error("turn {turn} of level {level} lasts 0 days: give it 1 day or more, or take it out of the list")]
    NoDays {
        /// Where.
        level: LevelNumber,
        /// Which of the list, counted from 1.
        turn: usize,
    },
    /// An override that is over when it begins.
    #[error(
        "override {number} of level {level} ends before it has begun, or just then: give it an end after its beginning"
    )]
    EmptyOverride {
        /// Where.
        level: LevelNumber,
        /// Which, counted from 1 in the order they were entered.
        number: usize,
    },
    /// Two overrides for the same time and person.
    #[error("override {number} of level {level} says the same as override {same_as}: take one of them away")]
    SameOverride {
        /// Where.
        level: LevelNumber,
        /// Which, counted from 1 in the order they were entered.
        number: usize,
        /// The earlier one.
        same_as: usize,
    },
}

impl Rota {
    /// All that has to be put right; empty when the rota can be used. An override that hides an earlier one is no fault: that is how a
    /// change of mind is entered. Nor is a rota without levels: then whoever is the last resort is told at once.
    #[must_use]
    pub fn check(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        if self.levels.len() > usize::from(LevelNumber::MAX) {
            faults.push(Fault::TooManyLevels(self.levels.len()));
        }
        for (level, found) in (1..=self.level_count()).zip(&self.levels) {
            if found.turns.is_empty() {
                faults.push(Fault::EmptyList { level });
            }
            if found.start.is_none() {
                faults.push(Fault::NoStart { level });
            }
            let none = (1..).zip(&found.turns).filter(|(_, share)| share.days == 0);
            faults.extend(none.map(|(turn, _)| Fault::NoDays { level, turn }));
            overrides(level, &found.overrides, &mut faults);
        }
        faults
    }
}

fn overrides(level: LevelNumber, all: &[Override], faults: &mut Vec<Fault>) {
    for (index, one) in all.iter().enumerate() {
        let number = index + 1;
        if one.from >= one.to {
            faults.push(Fault::EmptyOverride { level, number });
        }
        let same = |other: &Override| (other.person, other.from, other.to) == (one.person, one.from, one.to);
        if let Some(earlier) = all[..index].iter().position(same) {
            faults.push(Fault::SameOverride { level, number, same_as: earlier + 1 });
        }
    }
}
