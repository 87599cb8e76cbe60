//! Thresholds: what each condition is judged by, where that differs, and who changed it.

use askama::Template;
use regulator::{
    Timestamp,
    conditions::{Condition, Parameter, Scope},
};

use crate::{board::number, frame::Frame, words::plain};

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
        let p = self.parameter;
        format!("{} to {}", plain(p.min), with_unit(p.max, p.unit))
    }

    fn fleet(&self) -> Option<&Override> {
        self.overrides.iter().find(|o| o.scope == "fleet")
    }

    fn narrower(&self) -> usize {
        self.overrides.iter().filter(|o| o.scope != "fleet").count()
    }
}

/// A value with its unit, with no more decimals than it needs.
#[must_use]
pub fn with_unit(value: f64, unit: &str) -> String {
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
            Scope::Endpoint => "each endpoint",
            Scope::Poller => "each poller",
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
    pub error: Option<String>,
    /// Its changes, newest first.
    pub changes: Vec<Change>,
}
