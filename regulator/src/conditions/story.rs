//! Short stories for tests: readings in, what would be told out.

use chrono::TimeDelta;

use super::{Beside, Change, Condition, RegulatorDetector, Settings, Transition, Unit};
use crate::{Nameplate, Reading, Timestamp};

/// Seconds after a fixed midnight.
pub(super) fn at(seconds: i64) -> Timestamp {
    Timestamp::from_timestamp(1_767_225_600, 0).unwrap() + TimeDelta::seconds(seconds)
}

/// Transitions as lines: "300 voltage_range_a raised: load voltage ...".
pub(super) fn told(transitions: Vec<Transition>) -> Vec<String> {
    let line = |t: Transition| {
        let change = if t.change == Change::Raised { "raised" } else { "returned" };
        format!("{} {} {change}: {}", (t.at - at(0)).num_seconds(), t.condition.name(), t.summary)
    };
    transitions.into_iter().map(line).collect()
}

/// One regulator under watch.
pub(super) struct Story {
    pub(super) nameplate: Nameplate,
    pub(super) detector: RegulatorDetector,
    settings: Settings,
}

impl Story {
    /// A common unit with default settings.
    pub(super) fn watched() -> Self {
        Self {
            nameplate: Nameplate::common(),
            settings: Settings::default(),
            detector: RegulatorDetector::new(),
        }
    }

    /// The same, whose gaps of up to a day are no matter.
    pub(super) fn common() -> Self {
        let mut story = Self::watched();
        story.set(Condition::ReadingsStale, "least_s", 86_400.0);
        story
    }

    pub(super) fn set(&mut self, condition: Condition, parameter: &str, value: f64) {
        self.settings.set(condition, parameter, value);
    }

    pub(super) fn observe(&mut self, reading: &Reading) -> Vec<String> {
        told(self.detector.observe(&Unit::new(&self.nameplate, &self.settings), reading))
    }

    pub(super) fn observe_beside(&mut self, reading: &Reading, beside: &Beside) -> Vec<String> {
        told(self.detector.observe_beside(&Unit::new(&self.nameplate, &self.settings), reading, beside))
    }

    pub(super) fn report(&mut self, failing_since_s: Option<i64>, to_s: i64) -> Vec<String> {
        let unit = Unit::new(&self.nameplate, &self.settings);
        told(self.detector.report(&unit, failing_since_s.map(at), at(to_s)))
    }

    pub(super) fn polled_since(&mut self, session_s: i64) {
        self.detector.polled_since(at(session_s));
    }

    pub(super) fn stored(&self) -> String {
        serde_json::to_string(&self.detector).unwrap()
    }
}
