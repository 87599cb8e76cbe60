//! The catalogue of conditions as people read it: what each means and what to do.

use askama::Template;
use regulator::conditions::{Condition, Scope};

use crate::{frame::Frame, thresholds};

/// Every condition.
#[derive(Debug, Template)]
#[template(path = "conditions.html")]
pub struct ConditionsPage {
    /// What surrounds it.
    pub frame: Frame,
    /// Most urgent first.
    pub conditions: Vec<Condition>,
}

/// One condition.
#[derive(Debug, Template)]
#[template(path = "condition.html")]
pub struct ConditionPage {
    /// What surrounds it.
    pub frame: Frame,
    /// The condition.
    pub condition: Condition,
    /// Its parameters, with what is set of them.
    pub rows: Vec<thresholds::Row>,
    /// Acknowledged for so long with nothing changed, its alarms are raised again.
    pub again_after: Option<String>,
    /// Longest time on the shelf.
    pub shelf: String,
    /// Conditions whose alarms it hides.
    pub hides: Vec<Condition>,
}

/// What a condition is judged of, in words.
#[must_use]
pub fn judged_of(condition: Condition) -> &'static str {
    match condition.scope() {
        Scope::Regulator => "each regulator",
        Scope::Bank => "each bank",
        Scope::Endpoint => "each endpoint",
        Scope::Poller => "each poller",
        Scope::Substation => "each substation",
        Scope::Part => "Tapkeeper itself",
    }
}

impl ConditionsPage {
    fn of(condition: &Condition) -> &'static str {
        judged_of(*condition)
    }
}

impl ConditionPage {
    fn of(&self) -> &'static str {
        judged_of(self.condition)
    }

    /// Whether past readings can be run through it.
    fn can_be_backtested(&self) -> bool {
        matches!(self.condition.scope(), Scope::Regulator | Scope::Bank)
    }
}
