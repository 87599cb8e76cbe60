//! The board: every regulator, most urgent first.

mod filter;
mod group;
mod row;
mod state;

use std::sync::Arc;

use askama::Template;
use regulator::Timestamp;

pub(crate) use filter::encoded;
pub use filter::{Choice, Filter};
pub use group::{Group, View, arranged};
pub use row::{Bar, Cell, Flow, Live, Mark, Place, Row, age, number, reason, tap_text};
pub use state::State;

use crate::frame::Frame;

/// How many regulators are in one state.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tally {
    /// The state.
    pub state: State,
    /// How many.
    pub count: usize,
    /// The board with only these.
    pub href: String,
    /// The board shows only these now.
    pub here: bool,
}

/// Something that makes the picture old or incomplete.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Banner {
    /// What is wrong.
    pub what: String,
    /// What that means for the reader.
    pub so: String,
}

/// The page.
#[derive(Debug, Template)]
#[template(path = "board.html")]
pub struct Board {
    /// What surrounds it.
    pub frame: Frame,
    /// Why the picture may be blind.
    pub banners: Vec<Banner>,
    /// The alarm flood that goes on, if one does.
    pub flood: Option<crate::flood::FloodPanel>,
    /// Counts by state over the whole fleet.
    pub tally: Vec<Tally>,
    /// What was asked for.
    pub filter: Filter,
    /// Substations to choose from.
    pub substations: Vec<Choice>,
    /// Conditions to choose from.
    pub conditions: Vec<Choice>,
    /// The rows, in order.
    pub groups: Vec<Group>,
    /// Regulators shown.
    pub shown: usize,
    /// Regulators in the fleet.
    pub fleet: usize,
    /// Where live updates go on from: `EPOCH-VERSION`.
    pub version: String,
    /// The instant that ages are counted to.
    pub now: Timestamp,
}

/// Counts by state over `rows`, each leading to the board narrowed to it.
#[must_use]
pub fn tally(rows: &[Arc<Row>], filter: &Filter) -> Vec<Tally> {
    State::ALL
        .iter()
        .map(|&state| {
            let here = filter.state == Some(state);
            let next = Filter { state: (!here).then_some(state), ..filter.clone() };
            Tally {
                state,
                count: rows.iter().filter(|r| r.live.state == state).count(),
                href: next.href(),
                here,
            }
        })
        .collect()
}

#[cfg(test)]
mod tests;
