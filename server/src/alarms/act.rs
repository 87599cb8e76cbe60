//! One event that is to happen to one alarm.

use std::collections::{HashMap, HashSet};

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
    /// It begins and ends with what was found at once: a silence known only now that it is over hides nothing.
    pub(crate) momentary: bool,
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
            momentary: false,
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

/// What was found at once, by time and wider silences first; but what happens to one alarm is never turned around, whatever its clock
/// did in between.
///
/// What is found later stays later, however old it is: so the same feed makes the same steps in whatever portions it is read.
pub(crate) fn in_order(acts: Vec<Act>) -> Vec<Act> {
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
    let mut sorted: Vec<Act> = keyed.into_iter().map(|(_, act)| act).collect();
    let mut ended: HashSet<(Place, Condition)> = HashSet::new();
    for act in sorted.iter_mut().rev() {
        let key = (act.place.clone(), act.condition);
        match act.event {
            Event::Return => _ = ended.insert(key),
            Event::Raise => act.momentary = ended.remove(&key),
            _ => {}
        }
    }
    sorted
}
