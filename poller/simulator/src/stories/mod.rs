//! What is waiting to be found: which regulators, what should be found of them, and when.
//!
//! [`Story`] is data for people and tests; [`table`] lists them. [`Happenings`] makes those come about that are not physics: a control
//! switched to manual or replaced, a motor that fails, a feeder that is switched, an endpoint that goes away.

mod happenings;
mod table;

pub(crate) use happenings::Happenings;

use regulator::Timestamp;
use regulator::conditions::Condition;

/// When a story can be seen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum When {
    /// At any time.
    Always,
    /// From this instant on.
    Since(Timestamp),
    /// At this instant.
    Once(Timestamp),
    /// From this instant to that.
    Between(Timestamp, Timestamp),
    /// Between these hours of local time, on days that are like this.
    Hours(u32, u32, &'static str),
    /// In these spells of the first thirty days, and once live for four minutes of every twenty.
    Spells(Vec<(Timestamp, Timestamp)>),
}

/// A threshold that the utility has set for one site, in place of the default.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SiteThreshold {
    /// Of which condition.
    pub condition: Condition,
    /// Name of the parameter.
    pub parameter: &'static str,
    /// What it is set to.
    pub value: f64,
}

/// Something unusual about a few regulators of the fleet.
#[derive(Debug, Clone)]
pub struct Story {
    /// A short name.
    pub name: &'static str,
    /// The site it happens at.
    pub site: &'static str,
    /// The regulators it happens to, by number. What is raised of their bank is raised at the bank's first.
    pub regulators: Vec<usize>,
    /// The endpoint it happens to, if it is one.
    pub endpoint: Option<usize>,
    /// What is to be raised of them; nothing else is. Empty where the point is that nothing is raised.
    pub expected: &'static [Condition],
    /// What may be raised besides: it lasts for so short a time that it depends on how often they are polled.
    pub possible: &'static [Condition],
    /// What the utility has set for the site.
    pub thresholds: &'static [SiteThreshold],
    /// When.
    pub when: When,
    /// What is going on.
    pub text: &'static str,
}
