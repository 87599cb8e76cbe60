//! The panel of an alarm flood: while more alarms come than one person can answer, the board shows lines instead of rows.

use askama::Template;
use chrono_tz::Tz;
use regulator::Timestamp;

use crate::alarms::Group;

/// A flood that goes on now.
#[derive(Debug, Clone, PartialEq, Eq, Template)]
#[template(path = "flood.html")]
pub struct FloodPanel {
    /// Since when.
    pub since: Timestamp,
    /// It may have begun earlier than that.
    pub or_earlier: bool,
    /// How many alarms were told in the last ten minutes.
    pub in_ten_minutes: usize,
    /// The open alarms in few lines.
    pub lines: Vec<Group>,
    /// The zone of most of the fleet.
    pub zone: Tz,
}

impl FloodPanel {
    /// Differs when the panel does, for scripts that ask whether to fetch it.
    #[must_use]
    pub fn key(&self) -> String {
        let lines = self.lines.iter().fold(0_u64, |sum, g| {
            let parts = [g.count, g.unacknowledged, g.condition.map_or(0, |c| c as usize + 1), g.place.len()];
            parts.iter().fold(sum, |sum, part| sum.wrapping_mul(1_000_003).wrapping_add(*part as u64))
        });
        format!("{}-{}-{lines:x}", self.since.timestamp(), self.in_ten_minutes)
    }
}
