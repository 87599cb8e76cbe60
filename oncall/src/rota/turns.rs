//! Whose turn it is, all layers together.

use chrono::{DateTime, Duration, Utc};

use super::{Level, LevelNumber, PersonId, Rota, Turn, Why, handovers::Handovers, layers::paint};
use crate::local;

impl Rota {
    /// The turns of a level that touch `from..to`, in order, each beginning when the one before it ends.
    ///
    /// Turns are whole: the first may begin before `from` and the last may end after `to`, so that a turn is the same whatever window it is looked at
    /// through. Only the time before a level's first turn is cut at `from`, because it has no beginning (and all of a level that has no
    /// regular turns, at both ends). Every handover, holiday and override begins a turn of its own, even when the same person has the
    /// next one: turns are never merged. Empty when the level is unknown, or `to` not after `from`.
    #[must_use]
    pub fn turns(&self, level: LevelNumber, from: DateTime<Utc>, to: DateTime<Utc>) -> Vec<Turn> {
        let Ok(level) = self.level(level) else { return Vec::new() };
        if from >= to {
            return Vec::new();
        }
        let handovers = Handovers::of(level, self.zone);
        let nobody = || vec![Turn { person: None, from, to, why: Why::Regular }];
        let mut turns = handovers.as_ref().map_or_else(nobody, |h| h.turns(from, to));
        if let Some(handovers) = &handovers {
            for holiday in self.holidays_of(level, handovers.first()) {
                paint(&mut turns, holiday);
            }
        }
        for one in &level.overrides {
            paint(&mut turns, Turn { person: one.person, from: one.from, to: one.to, why: Why::Override });
        }
        turns.retain(|turn| turn.from < to && turn.to > from);
        turns
    }

    /// The turn that an instant lies in; `None` when the level is unknown.
    #[must_use]
    pub fn turn_at(&self, level: LevelNumber, at: DateTime<Utc>) -> Option<Turn> {
        let turns = self.turns(level, at, at + Duration::seconds(1));
        turns.into_iter().find(|turn| turn.from <= at && at < turn.to)
    }

    /// Who is on call at an instant; `None` when nobody is, or the level is unknown.
    #[must_use]
    pub fn on_call(&self, level: LevelNumber, at: DateTime<Utc>) -> Option<PersonId> {
        let found = self.level(level).ok()?;
        if let Some(one) = found.overrides.iter().rev().find(|o| o.from <= at && at < o.to) {
            return one.person;
        }
        let handovers = Handovers::of(found, self.zone)?;
        let holiday = self.holidays_of(found, handovers.first()).find(|t| t.from <= at && at < t.to);
        holiday.map_or_else(|| handovers.person_at(at), |turn| turn.person)
    }

    /// The turn after the one that `at` lies in, whoever has it; `None` when the level is unknown or has no regular turns.
    #[must_use]
    pub fn next(&self, level: LevelNumber, at: DateTime<Utc>) -> Option<Turn> {
        Handovers::of(self.level(level).ok()?, self.zone)?;
        let now = self.turn_at(level, at)?;
        self.turn_at(level, now.to)
    }

    /// The holidays of a level, in order, from its first turn on.
    fn holidays_of<'a>(
        &'a self,
        level: &'a Level,
        first: DateTime<Utc>,
    ) -> impl Iterator<Item = Turn> + use<'a> {
        let persons = level.holidays.iter().cycle();
        self.holidays.iter().zip(persons).map(move |(date, person)| Turn {
            person: Some(*person),
            from: local::midnight(self.zone, *date).max(first),
            to: local::midnight(self.zone, local::days_on(*date, 1)),
            why: Why::Holiday,
        })
    }
}
