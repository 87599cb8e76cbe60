//! A rota: who is on call, when, in which order.
//!
//! A rota has levels, called in order, and each level has its own turns. Three layers make up a level, the upper hiding the lower:
//!
//! 1. regular turns: a list of persons with so many days each, repeated from a first handover on, always handed over at the same local time;
//! 2. holidays: on a date of the rota's list the whole local day goes to the level's holiday list, in order;
//! 3. overrides: somebody else, or nobody, from one instant to another; what was entered later hides what was entered earlier.
//!
//! Start with [`Rota::check`] when one is entered, and ask [`Rota::turns`], [`Rota::on_call`] and [`Rota::next`].

pub mod check;
mod handovers;
mod layers;
mod swap;
#[cfg(test)]
mod tests;
mod turns;

use std::collections::BTreeSet;

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};

pub use check::Fault;
pub use swap::swap;

/// Somebody who can be on call, by the number under which people are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct PersonId(pub i32);

/// A level's number: 1 is called first.
pub type LevelNumber = u8;

/// Who is on call, when, in which order.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Rota {
    /// The zone of every local date and time in it.
    pub zone: Tz,
    /// Level 1 first.
    #[serde(default)]
    pub levels: Vec<Level>,
    /// Local dates that are nobody's ordinary day. Keep those that are over: the n-th date of the list goes to the n-th person, so taking one away
    /// moves all after it on to others.
    #[serde(default)]
    pub holidays: BTreeSet<NaiveDate>,
}

/// One level of a rota.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Level {
    /// The first handover; before it nobody is on call, except by an override.
    pub start: Option<Start>,
    /// Whose turns follow each other, for ever repeated.
    pub turns: Vec<Share>,
    /// Who has the holidays: the rota's n-th holiday goes to the n-th person, over and over. Empty: holidays are ordinary days.
    pub holidays: Vec<PersonId>,
    /// In the order in which they were entered.
    pub overrides: Vec<Override>,
}

/// When a level's first turn begins, and so at what local time every turn does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Start {
    /// The local date.
    pub date: NaiveDate,
    /// The local time of every handover.
    pub time: NaiveTime,
}

/// One turn of the repeated list.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Share {
    /// Whose turn it is.
    pub person: PersonId,
    /// For how many days: 1 or more.
    pub days: u16,
}

/// Somebody else, or nobody, for a while.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Override {
    /// Who is on call instead; `None` for nobody.
    pub person: Option<PersonId>,
    /// From this instant.
    pub from: DateTime<Utc>,
    /// Until just before this one.
    pub to: DateTime<Utc>,
    /// The reason, in the words of whoever entered it.
    #[serde(default)]
    pub why: String,
}

/// For some time on end the same person is on call, for the same reason.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Turn {
    /// Who; `None` for nobody.
    pub person: Option<PersonId>,
    /// From this instant.
    pub from: DateTime<Utc>,
    /// Until just before this one.
    pub to: DateTime<Utc>,
    /// By which layer.
    pub why: Why,
}

/// Which layer of a level a turn comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Why {
    /// The repeated list.
    Regular,
    /// The list for holidays.
    Holiday,
    /// Entered by hand.
    Override,
}

impl Rota {
    /// A level by its number.
    ///
    /// # Errors
    /// [`Fault::UnknownLevel`] when the rota has no such level.
    pub fn level(&self, number: LevelNumber) -> Result<&Level, Fault> {
        let index = usize::from(number).checked_sub(1);
        let levels = self.levels.len();
        index.and_then(|i| self.levels.get(i)).ok_or(Fault::UnknownLevel { level: number, levels })
    }

    /// How many levels there are.
    #[must_use]
    pub fn level_count(&self) -> LevelNumber {
        LevelNumber::try_from(self.levels.len()).unwrap_or(LevelNumber::MAX)
    }

    /// Everybody who has turns or holidays, and whoever is on call by an override at an instant: whom the last resort tells.
    #[must_use]
    pub fn everybody(&self, at: DateTime<Utc>) -> BTreeSet<PersonId> {
        let listed = self.levels.iter().flat_map(|level| {
            level.turns.iter().map(|share| share.person).chain(level.holidays.iter().copied())
        });
        listed.chain((1..=self.level_count()).filter_map(|level| self.on_call(level, at))).collect()
    }
}
