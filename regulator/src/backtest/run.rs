//! One run of one condition over a stream of readings.

use super::{CannotReplay, Episode};
use crate::{
    Connection, Nameplate, Phase, Reading, Timestamp,
    conditions::{
        BankDetector, BankUnit, Change, Condition, Member, RegulatorDetector, Scope, Settings, Transition,
        Unit,
    },
};

/// A condition under way over recorded readings.
#[derive(Debug, Clone)]
pub struct Run {
    watch: Watch,
    done: Vec<Episode>,
    open: Option<Episode>,
    readings: u64,
    first: Option<Timestamp>,
    last: Option<Timestamp>,
}

/// The detector of live operation, of one condition.
#[derive(Debug, Clone)]
enum Watch {
    Regulator(Box<(Unit, RegulatorDetector)>),
    Bank(Box<(BankUnit, BankDetector)>),
}

/// What a run came to.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// Every time that the condition was true, in order.
    pub episodes: Vec<Episode>,
    /// Readings taken.
    pub readings: u64,
    /// Of them, those that came after a later one and were not judged.
    pub late: u64,
    /// The earliest and the latest reading; nothing if there were none.
    pub span: Option<(Timestamp, Timestamp)>,
}

impl Outcome {
    /// How long the condition was true in all, seconds; one that still was, until the last reading.
    #[must_use]
    pub fn total_s(&self) -> f64 {
        self.span.map_or(0.0, |(_, end)| self.episodes.iter().map(|e| e.lasted_s(end)).sum())
    }
}

impl Run {
    /// Of a condition of one regulator.
    ///
    /// # Errors
    /// If it is none.
    pub fn of_regulator(
        condition: Condition,
        nameplate: &Nameplate,
        settings: &Settings,
    ) -> Result<Self, CannotReplay> {
        if condition.scope() != Scope::Regulator {
            return Err(CannotReplay::NotOfRegulator(condition));
        }
        let unit = Unit::only(condition, nameplate, settings);
        Ok(Self::new(Watch::Regulator(Box::new((unit, RegulatorDetector::new())))))
    }

    /// Of a condition of one bank.
    ///
    /// # Errors
    /// If it is none.
    pub fn of_bank(
        condition: Condition,
        connection: Connection,
        members: &[Member],
        settings: &Settings,
    ) -> Result<Self, CannotReplay> {
        if condition.scope() != Scope::Bank {
            return Err(CannotReplay::NotOfBank(condition));
        }
        let unit = BankUnit::only(condition, connection, members, settings);
        Ok(Self::new(Watch::Bank(Box::new((unit, BankDetector::new())))))
    }

    const fn new(watch: Watch) -> Self {
        Self { watch, done: vec![], open: None, readings: 0, first: None, last: None }
    }

    /// Takes one reading, in order of time; `member` says of which regulator of a bank, and says nothing in a run over one
    /// regulator. Returns the episode that ended with it, if one did.
    pub fn take(&mut self, member: Phase, reading: &Reading) -> Option<&Episode> {
        let at = reading.measured_at;
        self.readings += 1;
        self.first = Some(self.first.map_or(at, |first| first.min(at)));
        self.last = Some(self.last.map_or(at, |last| last.max(at)));
        let transitions = match &mut self.watch {
            Watch::Regulator(of) => of.1.observe(&of.0, reading),
            Watch::Bank(of) => of.1.observe(&of.0, member, reading),
        };
        let before = self.done.len();
        transitions.into_iter().for_each(|transition| self.note(transition));
        self.done.get(before)
    }

    fn note(&mut self, transition: Transition) {
        let Transition { change, at, summary, .. } = transition;
        match change {
            Change::Raised => self.open = Some(Episode { raised_at: at, returned_at: None, summary }),
            Change::Returned => {
                let ended = self.open.take().map(|open| Episode { returned_at: Some(at), ..open });
                self.done.extend(ended);
            }
        }
    }

    /// Ends the run.
    #[must_use]
    pub fn finish(mut self) -> Outcome {
        self.done.extend(self.open.take());
        let late = match &self.watch {
            Watch::Regulator(of) => of.1.late(),
            Watch::Bank(of) => of.1.late(),
        };
        Outcome { episodes: self.done, readings: self.readings, late, span: self.first.zip(self.last) }
    }
}
