//! Thresholds: what each condition is judged by, where that differs, and who changed it.

use askama::Template;
use regulator::{
    Timestamp,
    conditions::{Condition, Parameter, Scope},
};

use crate::{board::number, duration, frame::Frame, words::plain};

/// A value that differs from the wider scope's.
#[derive(Debug, Clone, PartialEq)]
pub struct Override {
    /// The scope as forms carry it: `fleet`, `feeder:10001`.
    pub scope: String,
    /// The scope in words.
    pub place: String,
    /// The value.
    pub value: f64,
}

/// One parameter with all that is set of it.
#[derive(Debug, Clone)]
pub struct Row {
    /// Of which condition.
    pub condition: Condition,
    /// Which parameter.
    pub parameter: &'static Parameter,
    /// What is set, widest scope first.
    pub overrides: Vec<Override>,
}

impl Row {
    /// Where it is shown and changed.
    #[must_use]
    pub fn href(&self) -> String {
        format!("/thresholds/{}/{}", self.condition.name(), self.parameter.name)
    }

    /// A value of it, with its unit.
    #[must_use]
    pub fn text(&self, value: &f64) -> String {
        with_unit(*value, self.parameter.unit)
    }

    /// The accepted range, in words.
    #[must_use]
    pub fn range(&self) -> String {
        range(self.parameter)
    }

    /// It is a length of time.
    fn is_duration(&self) -> bool {
        self.parameter.unit == "s"
    }

    pub(crate) fn fleet(&self) -> Option<&Override> {
        self.overrides.iter().find(|o| o.scope == "fleet")
    }

    pub(crate) fn narrower(&self) -> usize {
        self.overrides.iter().filter(|o| o.scope != "fleet").count()
    }
}

/// The values that a parameter takes: "80 to 125 V", "1 s to 24 h".
#[must_use]
pub fn range(parameter: &Parameter) -> String {
    let Parameter { min, max, unit, .. } = parameter;
    let least = if *unit == "s" { duration::text(*min) } else { plain(*min) };
    format!("{least} to {}", with_unit(*max, unit))
}

/// A value with its unit, with no more decimals than it needs; seconds as a length of time.
#[must_use]
pub fn with_unit(value: f64, unit: &str) -> String {
    if unit == "s" {
        return duration::text(value);
    }
    let decimals = plain(value).split_once('.').map_or(0, |(_, decimals)| decimals.len());
    number(value, decimals, unit)
}

/// One condition with its parameters.
#[derive(Debug, Clone)]
pub struct Group {
    /// The condition.
    pub condition: Condition,
    /// Its parameters.
    pub rows: Vec<Row>,
}

impl Group {
    fn judged_of(&self) -> &'static str {
        match self.condition.scope() {
            Scope::Regulator => "each regulator",
            Scope::Bank => "each bank",
            Scope::Endpoint => "each endpoint",
            Scope::Poller => "each poller",
            Scope::Substation => "each substation",
            Scope::Part => "Tapkeeper itself",
        }
    }
}

/// One change.
#[derive(Debug, Clone)]
pub struct Change {
    /// When.
    pub at: Timestamp,
    /// By whom.
    pub person: String,
    /// What was changed, in words.
    pub what: String,
    /// Where, in words.
    pub place: String,
    /// The value before; none where the wider scope's was in force.
    pub old: Option<String>,
    /// The value after; none where the wider scope's is in force again.
    pub new: Option<String>,
}

/// Every condition.
#[derive(Debug, Template)]
#[template(path = "thresholds.html")]
pub struct ThresholdsPage {
    /// What surrounds it.
    pub frame: Frame,
    /// The conditions, in order.
    pub groups: Vec<Group>,
    /// The latest changes, newest first.
    pub changes: Vec<Change>,
}

/// Places to choose from, of one kind.
#[derive(Debug, Clone)]
pub struct Places {
    /// The kind, in words.
    pub title: &'static str,
    /// Value and words.
    pub places: Vec<(String, String)>,
}

/// Why a form was refused, to be said beside the field that must be mended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Refusal {
    /// The place cannot be.
    Place(String),
    /// The value cannot be.
    Value(String),
}

impl Refusal {
    fn of_place(&self) -> Option<&str> {
        match self {
            Self::Place(why) => Some(why),
            Self::Value(_) => None,
        }
    }

    fn of_value(&self) -> Option<&str> {
        match self {
            Self::Value(why) => Some(why),
            Self::Place(_) => None,
        }
    }
}

/// One parameter, to set and clear.
#[derive(Debug, Template)]
#[template(path = "threshold.html")]
pub struct ThresholdPage {
    /// What surrounds it.
    pub frame: Frame,
    /// The parameter and what is set of it.
    pub row: Row,
    /// Where it can be set.
    pub places: Vec<Places>,
    /// The scope chosen before.
    pub chosen: String,
    /// The value typed before.
    pub typed: String,
    /// Why it was refused.
    pub refusal: Option<Refusal>,
    /// Its changes, newest first.
    pub changes: Vec<Change>,
}

impl ThresholdPage {
    fn place_fault(&self) -> Option<&str> {
        self.refusal.as_ref().and_then(Refusal::of_place)
    }

    fn value_fault(&self) -> Option<&str> {
        self.refusal.as_ref().and_then(Refusal::of_value)
    }
}
