//! The states of an alarm and the events that move it between them.
//!
//! The states are those of the alarm state transition diagram of ANSI/ISA-18.2 and IEC 62682 (there A normal, B unacknowledged, C acknowledged,
//! D returned to normal and unacknowledged, G shelved, H suppressed by design, I out of service; the diagram from memory). Its latched states, E
//! and F, are for alarms that must be reset by hand after they have returned; no condition here has any.
//!
//! The standard draws shelved, suppressed and out of service as one state each. An alarm can be in several at once (shelved, and
//! then its site goes under maintenance), and its condition goes on becoming true and untrue meanwhile. So a [`Life`] is two
//! things: the [`Process`], which follows condition and acknowledgement, and the [`Holds`] that keep it from people. Both are moved
//! by tables. [`Life::state`] is the standard's state.
//!
//! An alarm that becomes true while it is held is not announced: it waits, and is announced when the last hold ends, if it is still
//! true then. If it returned before, nobody was called and nobody has to acknowledge it; its history is kept all the same.

use serde::{Deserialize, Serialize};

/// Where an alarm is in the standard's diagram.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// Not true, nothing to acknowledge.
    Normal,
    /// True, and nobody has acknowledged it.
    Unacknowledged,
    /// True, and someone has.
    Acknowledged,
    /// True no longer, and nobody has acknowledged it.
    ReturnedUnacknowledged,
    /// Put aside by a person for a limited time.
    Shelved,
    /// Kept back by a rule that the condition states, or by a maintenance window.
    SuppressedByDesign,
    /// Taken out by a person until it is put back.
    OutOfService,
}

impl State {
    /// Every state.
    pub const ALL: &'static [Self] = &[
        Self::Normal,
        Self::Unacknowledged,
        Self::Acknowledged,
        Self::ReturnedUnacknowledged,
        Self::Shelved,
        Self::SuppressedByDesign,
        Self::OutOfService,
    ];

    /// The standard's words.
    #[must_use]
    pub const fn title(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Unacknowledged => "unacknowledged",
            Self::Acknowledged => "acknowledged",
            Self::ReturnedUnacknowledged => "returned to normal, unacknowledged",
            Self::Shelved => "shelved",
            Self::SuppressedByDesign => "suppressed by design",
            Self::OutOfService => "out of service",
        }
    }

    /// Whether it is kept from people.
    #[must_use]
    pub const fn is_held(self) -> bool {
        matches!(self, Self::Shelved | Self::SuppressedByDesign | Self::OutOfService)
    }
}

/// What condition and acknowledgement make of an alarm, whether or not it is held.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Process {
    /// Not true, nothing to acknowledge.
    #[default]
    Normal,
    /// Became true while held, and has not been announced.
    Unannounced,
    /// True and announced; nobody has acknowledged it.
    Unacknowledged,
    /// True and acknowledged.
    Acknowledged,
    /// Was announced and is true no longer; nobody has acknowledged it.
    Returned,
}

impl Process {
    /// Every process state.
    pub const ALL: &'static [Self] =
        &[Self::Normal, Self::Unannounced, Self::Unacknowledged, Self::Acknowledged, Self::Returned];

    /// The stored name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Unannounced => "unannounced",
            Self::Unacknowledged => "unacknowledged",
            Self::Acknowledged => "acknowledged",
            Self::Returned => "returned",
        }
    }

    /// The one of this stored name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|p| p.name() == name)
    }

    /// Whether the condition is true.
    #[must_use]
    pub const fn is_active(self) -> bool {
        matches!(self, Self::Unannounced | Self::Unacknowledged | Self::Acknowledged)
    }
}

/// What keeps an alarm from people.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Hold {
    /// A person has shelved it.
    Shelf,
    /// What it is about cannot report, and another alarm says so: suppressed by design.
    Silence,
    /// Its place is under maintenance: suppressed by design.
    Maintenance,
    /// A person has taken it out of service.
    OutOfService,
}

impl Hold {
    /// Every hold.
    pub const ALL: &'static [Self] = &[Self::Shelf, Self::Silence, Self::Maintenance, Self::OutOfService];

    const fn bit(self) -> u8 {
        1 << self as u8
    }
}

/// The holds that are on.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Hash)]
pub struct Holds(u8);

impl Holds {
    /// No hold.
    pub const NONE: Self = Self(0);

    /// Whether this one is on.
    #[must_use]
    pub const fn has(self, hold: Hold) -> bool {
        self.0 & hold.bit() != 0
    }

    /// Whether any is on.
    #[must_use]
    pub const fn any(self) -> bool {
        self.0 != 0
    }

    /// These and this one.
    #[must_use]
    pub const fn with(self, hold: Hold) -> Self {
        Self(self.0 | hold.bit())
    }

    /// These without this one.
    #[must_use]
    pub const fn without(self, hold: Hold) -> Self {
        Self(self.0 & !hold.bit())
    }
}

/// What happens to an alarm.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Event {
    /// Its condition becomes true.
    Raise,
    /// Its condition is true no longer.
    Return,
    /// A person has seen it.
    Acknowledge,
    /// It was acknowledged long ago and nothing has changed: it is announced again.
    ReAlarm,
    /// A hold begins. A person who shelves a shelved alarm gives it another time.
    Begin(Hold),
    /// A hold ends: by a person, by its time, or with its reason.
    End(Hold),
}

impl Event {
    /// Every event.
    pub const ALL: &'static [Self] = &[
        Self::Raise,
        Self::Return,
        Self::Acknowledge,
        Self::ReAlarm,
        Self::Begin(Hold::Shelf),
        Self::End(Hold::Shelf),
        Self::Begin(Hold::Silence),
        Self::End(Hold::Silence),
        Self::Begin(Hold::Maintenance),
        Self::End(Hold::Maintenance),
        Self::Begin(Hold::OutOfService),
        Self::End(Hold::OutOfService),
    ];

    /// The stored name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Raise => "raised",
            Self::Return => "returned",
            Self::Acknowledge => "acknowledged",
            Self::ReAlarm => "raised_again",
            Self::Begin(Hold::Shelf) => "shelved",
            Self::End(Hold::Shelf) => "unshelved",
            Self::Begin(Hold::Silence) => "silence_begun",
            Self::End(Hold::Silence) => "silence_ended",
            Self::Begin(Hold::Maintenance) => "maintenance_begun",
            Self::End(Hold::Maintenance) => "maintenance_ended",
            Self::Begin(Hold::OutOfService) => "taken_out",
            Self::End(Hold::OutOfService) => "put_back",
        }
    }

    /// The one of this stored name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|e| e.name() == name)
    }

    /// In words, as a step of an alarm's history.
    #[must_use]
    pub const fn title(self) -> &'static str {
        match self {
            Self::Raise => "raised",
            Self::Return => "returned to normal",
            Self::Acknowledge => "acknowledged",
            Self::ReAlarm => "raised again, as nothing has changed",
            Self::Begin(Hold::Shelf) => "shelved",
            Self::End(Hold::Shelf) => "taken off the shelf",
            Self::Begin(Hold::Silence) => "suppressed by design: it cannot report",
            Self::End(Hold::Silence) => "no longer suppressed: it can report again",
            Self::Begin(Hold::Maintenance) => "suppressed by design: under maintenance",
            Self::End(Hold::Maintenance) => "no longer suppressed: maintenance is over",
            Self::Begin(Hold::OutOfService) => "taken out of service",
            Self::End(Hold::OutOfService) => "put back into service",
        }
    }
}

/// What is owed to people after a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Effect {
    /// Nothing.
    None,
    /// Announce it: on the desk, and to whoever is on call.
    Announce,
    /// Tell those who were told that it is over, and stop calling.
    TellReturn,
    /// Stop calling.
    StopCalling,
}

/// A step that was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Step {
    /// Where the alarm is now.
    pub to: Life,
    /// What is owed to people.
    pub effect: Effect,
}

/// Why an event does nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
pub enum Refusal {
    /// The condition is true already.
    #[error("it is raised already")]
    RaisedAlready,
    /// The condition is not true.
    #[error("it is not raised")]
    NotRaised,
    /// Nothing is unacknowledged.
    #[error("there is nothing to acknowledge")]
    NothingToAcknowledge,
    /// Only an alarm that is acknowledged, true and not held can be raised again.
    #[error("only an acknowledged alarm that still stands can be raised again")]
    NotAcknowledged,
    /// The hold is on already.
    #[error("it is so already")]
    HeldAlready,
    /// The hold is not on.
    #[error("it is not so")]
    NotHeld,
}

/// An alarm's present: what it would be, and what keeps it from people.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Hash)]
pub struct Life {
    /// What condition and acknowledgement make of it.
    pub process: Process,
    /// What keeps it from people.
    pub holds: Holds,
}

/// One row of the table of processes: from, held?, event, to, effect.
type Row = (Process, bool, Event, Process, Effect);

/// Every move of the process. What is not here is refused.
#[rustfmt::skip]
const MOVES: &[Row] = &[
    (Process::Normal,         false, Event::Raise,       Process::Unacknowledged, Effect::Announce),
    (Process::Normal,         true,  Event::Raise,       Process::Unannounced,    Effect::None),
    (Process::Unannounced,    true,  Event::Return,      Process::Normal,         Effect::None),
    (Process::Unannounced,    true,  Event::Acknowledge, Process::Acknowledged,   Effect::None),
    (Process::Unacknowledged, false, Event::Return,      Process::Returned,       Effect::TellReturn),
    (Process::Unacknowledged, true,  Event::Return,      Process::Returned,       Effect::TellReturn),
    (Process::Unacknowledged, false, Event::Acknowledge, Process::Acknowledged,   Effect::StopCalling),
    (Process::Unacknowledged, true,  Event::Acknowledge, Process::Acknowledged,   Effect::None),
    (Process::Acknowledged,   false, Event::Return,      Process::Normal,         Effect::TellReturn),
    (Process::Acknowledged,   true,  Event::Return,      Process::Normal,         Effect::TellReturn),
    (Process::Acknowledged,   false, Event::ReAlarm,     Process::Unacknowledged, Effect::Announce),
    (Process::Returned,       false, Event::Raise,       Process::Unacknowledged, Effect::Announce),
    (Process::Returned,       true,  Event::Raise,       Process::Unannounced,    Effect::None),
    (Process::Returned,       false, Event::Acknowledge, Process::Normal,         Effect::None),
    (Process::Returned,       true,  Event::Acknowledge, Process::Normal,         Effect::None),
];

/// What the first hold does: nobody is called about what is kept from people.
#[rustfmt::skip]
const HELD: &[(Process, Process, Effect)] = &[
    (Process::Normal,         Process::Normal,         Effect::None),
    (Process::Unacknowledged, Process::Unacknowledged, Effect::StopCalling),
    (Process::Acknowledged,   Process::Acknowledged,   Effect::None),
    (Process::Returned,       Process::Returned,       Effect::None),
];

/// What the end of the last hold does: what stands and is not acknowledged is announced, once more where it had been before.
#[rustfmt::skip]
const RELEASED: &[(Process, Process, Effect)] = &[
    (Process::Normal,         Process::Normal,         Effect::None),
    (Process::Unannounced,    Process::Unacknowledged, Effect::Announce),
    (Process::Unacknowledged, Process::Unacknowledged, Effect::Announce),
    (Process::Acknowledged,   Process::Acknowledged,   Effect::None),
    (Process::Returned,       Process::Returned,       Effect::None),
];

impl Life {
    /// The standard's state. Of several holds the one that lasts longest by nature is told.
    #[must_use]
    pub const fn state(self) -> State {
        if self.holds.has(Hold::OutOfService) {
            State::OutOfService
        } else if self.holds.has(Hold::Silence) || self.holds.has(Hold::Maintenance) {
            State::SuppressedByDesign
        } else if self.holds.has(Hold::Shelf) {
            State::Shelved
        } else {
            match self.process {
                Process::Normal => State::Normal,
                // Only what is held is unannounced.
                Process::Unannounced | Process::Unacknowledged => State::Unacknowledged,
                Process::Acknowledged => State::Acknowledged,
                Process::Returned => State::ReturnedUnacknowledged,
            }
        }
    }

    /// Takes one event.
    ///
    /// # Errors
    /// When the event has no meaning here; the alarm then stays as it is.
    pub fn take(self, event: Event) -> Result<Step, Refusal> {
        match event {
            Event::Begin(hold) => self.begin(hold),
            Event::End(hold) => self.end(hold),
            _ => self.follow(event),
        }
    }

    fn follow(self, event: Event) -> Result<Step, Refusal> {
        let held = self.holds.any();
        let row = MOVES.iter().find(|(from, h, e, ..)| (*from, *h, *e) == (self.process, held, event));
        match row {
            Some(&(.., process, effect)) => Ok(Step { to: Self { process, ..self }, effect }),
            None => Err(match event {
                Event::Raise => Refusal::RaisedAlready,
                Event::Return => Refusal::NotRaised,
                Event::Acknowledge => Refusal::NothingToAcknowledge,
                _ => Refusal::NotAcknowledged,
            }),
        }
    }

    fn begin(self, hold: Hold) -> Result<Step, Refusal> {
        if self.holds.has(hold) {
            // Shelving again is how its time is changed.
            let again = Step { to: self, effect: Effect::None };
            return if hold == Hold::Shelf { Ok(again) } else { Err(Refusal::HeldAlready) };
        }
        Ok(if self.holds.any() {
            self.kept(self.holds.with(hold))
        } else {
            self.turned(HELD, self.holds.with(hold))
        })
    }

    fn end(self, hold: Hold) -> Result<Step, Refusal> {
        if !self.holds.has(hold) {
            return Err(Refusal::NotHeld);
        }
        let left = self.holds.without(hold);
        Ok(if left.any() { self.kept(left) } else { self.turned(RELEASED, left) })
    }

    const fn kept(self, holds: Holds) -> Step {
        Step { to: Self { holds, ..self }, effect: Effect::None }
    }

    fn turned(self, table: &[(Process, Process, Effect)], holds: Holds) -> Step {
        let row = table.iter().find(|(from, ..)| *from == self.process);
        let (process, effect) = row.map_or((self.process, Effect::None), |&(_, to, effect)| (to, effect));
        Step { to: Self { process, holds }, effect }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every state that can be reached: what is unannounced is held.
    fn lives() -> Vec<Life> {
        let holds = (0..16).map(|bits| {
            Hold::ALL.iter().filter(|h| bits & h.bit() != 0).fold(Holds::NONE, |all, h| all.with(*h))
        });
        holds
            .flat_map(|holds| Process::ALL.iter().map(move |&process| Life { process, holds }))
            .filter(|life| life.process != Process::Unannounced || life.holds.any())
            .collect()
    }

    /// The rules as sentences, one closure each, held against the tables for every state and event.
    #[test]
    fn every_state_meets_every_event() {
        for from in lives() {
            for &event in Event::ALL {
                let outcome = from.take(event);
                let held = from.holds.any();
                let active = from.process.is_active();
                let expected: Result<(Process, Effect), Refusal> = match event {
                    Event::Raise if active => Err(Refusal::RaisedAlready),
                    Event::Raise if held => Ok((Process::Unannounced, Effect::None)),
                    Event::Raise => Ok((Process::Unacknowledged, Effect::Announce)),
                    Event::Return if !active => Err(Refusal::NotRaised),
                    Event::Return => Ok(match from.process {
                        Process::Unannounced => (Process::Normal, Effect::None),
                        Process::Unacknowledged => (Process::Returned, Effect::TellReturn),
                        _ => (Process::Normal, Effect::TellReturn),
                    }),
                    Event::Acknowledge => match from.process {
                        Process::Unacknowledged if !held => Ok((Process::Acknowledged, Effect::StopCalling)),
                        Process::Unannounced | Process::Unacknowledged => {
                            Ok((Process::Acknowledged, Effect::None))
                        }
                        Process::Returned => Ok((Process::Normal, Effect::None)),
                        Process::Normal | Process::Acknowledged => Err(Refusal::NothingToAcknowledge),
                    },
                    Event::ReAlarm if from.process == Process::Acknowledged && !held => {
                        Ok((Process::Unacknowledged, Effect::Announce))
                    }
                    Event::ReAlarm => Err(Refusal::NotAcknowledged),
                    Event::Begin(Hold::Shelf) if from.holds.has(Hold::Shelf) => {
                        Ok((from.process, Effect::None))
                    }
                    Event::Begin(hold) if from.holds.has(hold) => Err(Refusal::HeldAlready),
                    Event::Begin(_) if !held && from.process == Process::Unacknowledged => {
                        Ok((from.process, Effect::StopCalling))
                    }
                    Event::Begin(_) => Ok((from.process, Effect::None)),
                    Event::End(hold) if !from.holds.has(hold) => Err(Refusal::NotHeld),
                    Event::End(hold) if from.holds.without(hold).any() => Ok((from.process, Effect::None)),
                    Event::End(_) => Ok(match from.process {
                        Process::Unannounced | Process::Unacknowledged => {
                            (Process::Unacknowledged, Effect::Announce)
                        }
                        other => (other, Effect::None),
                    }),
                };
                let holds = match event {
                    Event::Begin(hold) => from.holds.with(hold),
                    Event::End(hold) => from.holds.without(hold),
                    _ => from.holds,
                };
                let expected = expected.map(|(process, effect)| Step { to: Life { process, holds }, effect });
                assert_eq!(outcome, expected, "{from:?} {event:?}");
                if let Ok(step) = outcome {
                    assert!(
                        lives().contains(&step.to),
                        "{from:?} {event:?} leads out of the diagram: {step:?}"
                    );
                }
            }
        }
        // 4 processes free, 5 for each of 15 sets of holds
        assert_eq!(lives().len(), 4 + 5 * 15);
    }

    #[test]
    fn every_row_of_the_tables_is_used_and_none_is_double() {
        for row in MOVES {
            let same = MOVES.iter().filter(|r| (r.0, r.1, r.2) == (row.0, row.1, row.2));
            assert_eq!(same.count(), 1, "{row:?}");
        }
        for table in [HELD, RELEASED] {
            for row in table {
                assert_eq!(table.iter().filter(|r| r.0 == row.0).count(), 1, "{row:?}");
            }
        }
    }

    /// The arrows of the standard's diagram that concern us, by its letters.
    #[test]
    fn the_arrows_of_the_standard_are_there() {
        let walk = |events: &[Event]| {
            events.iter().fold(Life::default(), |life, e| life.take(*e).unwrap().to).state()
        };
        use Event::{Acknowledge, Begin, End, Raise, Return};
        assert_eq!(walk(&[]), State::Normal);
        assert_eq!(walk(&[Raise]), State::Unacknowledged, "A to B");
        assert_eq!(walk(&[Raise, Acknowledge]), State::Acknowledged, "B to C");
        assert_eq!(walk(&[Raise, Acknowledge, Return]), State::Normal, "C to A");
        assert_eq!(walk(&[Raise, Acknowledge, Event::ReAlarm]), State::Unacknowledged, "C to B");
        assert_eq!(walk(&[Raise, Return]), State::ReturnedUnacknowledged, "B to D");
        assert_eq!(walk(&[Raise, Return, Acknowledge]), State::Normal, "D to A");
        assert_eq!(walk(&[Raise, Return, Raise]), State::Unacknowledged, "D to B");
        for (hold, state) in [
            (Hold::Shelf, State::Shelved),
            (Hold::Silence, State::SuppressedByDesign),
            (Hold::Maintenance, State::SuppressedByDesign),
            (Hold::OutOfService, State::OutOfService),
        ] {
            assert_eq!(walk(&[Begin(hold)]), state);
            assert_eq!(walk(&[Raise, Begin(hold), Return]), state);
            assert_eq!(walk(&[Begin(hold), End(hold)]), State::Normal);
            assert_eq!(walk(&[Begin(hold), Raise, End(hold)]), State::Unacknowledged);
            assert_eq!(walk(&[Begin(hold), Raise, Return, End(hold)]), State::Normal);
            assert_eq!(walk(&[Raise, Acknowledge, Begin(hold), End(hold)]), State::Acknowledged);
            assert_eq!(walk(&[Raise, Begin(hold), Return, End(hold)]), State::ReturnedUnacknowledged);
        }
    }

    #[test]
    fn several_holds_end_one_by_one() {
        let held = [Event::Begin(Hold::Shelf), Event::Raise, Event::Begin(Hold::Silence)];
        let life = held.iter().fold(Life::default(), |life, e| life.take(*e).unwrap().to);
        assert_eq!(life.state(), State::SuppressedByDesign);
        let step = life.take(Event::End(Hold::Silence)).unwrap();
        assert_eq!((step.to.state(), step.effect), (State::Shelved, Effect::None));
        let step = step.to.take(Event::End(Hold::Shelf)).unwrap();
        assert_eq!((step.to.state(), step.effect), (State::Unacknowledged, Effect::Announce));
    }

    #[test]
    fn names_lead_back() {
        assert!(Event::ALL.iter().all(|e| Event::from_name(e.name()) == Some(*e)));
        assert!(Process::ALL.iter().all(|p| Process::from_name(p.name()) == Some(*p)));
    }
}
