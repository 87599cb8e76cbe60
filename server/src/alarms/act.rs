//! One event that is to happen to one alarm.

use std::collections::HashMap;

use regulator::{
    Timestamp,
    alarms::Event,
    conditions::{Change, Condition, Fact, Transition},
};

use super::place::Place;

/// What happens, to which alarm, when, by whom and why.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Act {
    pub(crate) place: Place,
    pub(crate) condition: Condition,
    pub(crate) event: Event,
    pub(crate) at: Timestamp,
    /// Nobody for what conditions and the clock do.
    pub(crate) person: Option<String>,
    pub(crate) why: Option<String>,
    /// Of shelving: until when.
    pub(crate) until: Option<Timestamp>,
    /// Of raising: one line with the numbers.
    pub(crate) summary: String,
    pub(crate) facts: Vec<Fact>,
}

impl Act {
    /// An event that needs no person.
    pub(crate) fn new(place: Place, condition: Condition, event: Event, at: Timestamp) -> Self {
        Self {
            place,
            condition,
            event,
            at,
            person: None,
            why: None,
            until: None,
            summary: String::new(),
            facts: Vec::new(),
        }
    }

    /// What a condition tells.
    pub(crate) fn told(place: Place, transition: Transition) -> Self {
        let event = match transition.change {
            Change::Raised => Event::Raise,
            Change::Returned => Event::Return,
        };
        Self {
            summary: transition.summary,
            facts: transition.facts,
            ..Self::new(place, transition.condition, event, transition.at)
        }
    }

    pub(crate) fn by(self, person: &str) -> Self {
        Self { person: Some(person.to_owned()), ..self }
    }

    pub(crate) fn because(self, why: impl Into<String>) -> Self {
        Self { why: Some(why.into()), ..self }
    }
}

/// Sorts by time, wider silences first, but never turns around what happens to one alarm, whatever its clock did in between.
pub(super) fn in_order(acts: Vec<Act>) -> Vec<Act> {
    let mut latest: HashMap<(Place, Condition), Timestamp> = HashMap::new();
    let mut keyed: Vec<((Timestamp, usize), Act)> = acts
        .into_iter()
        .map(|act| {
            let latest = latest.entry((act.place.clone(), act.condition)).or_insert(act.at);
            *latest = act.at.max(*latest);
            // What hides others is hidden by fewer than they are.
            ((*latest, act.condition.suppressed_by().len()), act)
        })
        .collect();
    keyed.sort_by_key(|(key, _)| *key);
    keyed.into_iter().map(|(_, act)| act).collect()
}
