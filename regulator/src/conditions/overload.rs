//! Current above what the unit may carry within its permitted range, for a time.
//!
//! The rating is the nameplate's current, or the higher one that a range limited on purpose grants (see [`crate::taps::rating`]).
//! True no longer when the current has been at or below the rating for the return delay.

use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Settings, Transition,
    excursion::{Bound, Excursion, Side},
    hold::Delays,
    words::{fact, number, span},
};
use crate::{Nameplate, Quantity, Reading, taps::rating};

/// The limit of one regulator, in A.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Limits {
    /// Nothing where the nameplate states no current.
    bound: Option<Bound>,
}

impl Limits {
    pub(super) fn new(nameplate: &Nameplate, settings: &Settings) -> Self {
        let get = |name| settings.get(Condition::Overload, name);
        let inside = rating::permitted_current_a(nameplate);
        let limit = inside * (1.0 + get("over_percent") / 100.0);
        let delays = Delays { on_s: get("delay_s"), off_s: get("return_delay_s") };
        let bound = Bound { side: Side::High, limit, inside, delays };
        Self { bound: (inside.is_finite() && inside > 0.0).then_some(bound) }
    }
}

/// The state.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Overload {
    pub(super) excursion: Excursion,
}

impl Overload {
    pub(super) fn observe(&mut self, limits: &Limits, reading: &Reading, out: &mut Vec<Transition>) {
        let (Some(bound), Some(current)) = (&limits.bound, reading.good(Quantity::Current)) else { return };
        let (at, current) = (reading.measured_at, current.abs());
        let Some(change) = self.excursion.observe(at, current, bound) else { return };
        let lasted_s = self.excursion.hold.lasted_s(at);
        let worst = self.excursion.worst(current);
        let percent = |amperes: f64| number(100.0 * amperes / bound.inside, 0);
        let summary = match change {
            Change::Raised => format!(
                "current {} A, {} % of the {} A permitted, for {}",
                number(current, 0),
                percent(current),
                number(bound.inside, 0),
                span(lasted_s)
            ),
            Change::Returned => format!(
                "current {} A; was above {} A over {}, up to {} %",
                number(current, 0),
                number(bound.inside, 0),
                span(lasted_s),
                percent(worst)
            ),
        };
        let facts = vec![
            fact("Current", current, "A"),
            fact("Permitted within the tap range", bound.inside, "A"),
            fact("Limit", bound.limit, "A"),
            fact("Highest", worst, "A"),
            fact("Since the first reading above", lasted_s, "s"),
        ];
        out.push(Transition { condition: Condition::Overload, change, at, summary, facts });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::story::{Story, at};

    fn amperes(story: &mut Story, from_min: i64, to_min: i64, a: f64) -> Vec<String> {
        (from_min..to_min)
            .flat_map(|min| story.observe(&Reading::new(at(min * 60)).with(Quantity::Current, a)))
            .collect()
    }

    #[test]
    fn a_hot_evening_is_one_alarm_and_one_return() {
        let mut story = Story::common();
        assert!(amperes(&mut story, 0, 60, 215.0).is_empty());
        assert_eq!(
            amperes(&mut story, 60, 180, 245.0),
            ["5400 overload raised: current 245 A, 112 % of the 219 A permitted, for 30 min"]
        );
        assert!(amperes(&mut story, 180, 300, 222.0).is_empty(), "still above the rating");
        assert_eq!(
            amperes(&mut story, 300, 340, 180.0),
            ["19800 overload returned: current 180 A; was above 219 A over 4.5 h, up to 112 %"]
        );
    }

    #[test]
    fn a_pickup_after_an_outage_is_nothing() {
        let mut story = Story::common();
        assert!(amperes(&mut story, 0, 25, 400.0).is_empty());
        assert!(amperes(&mut story, 25, 300, 200.0).is_empty());
    }

    #[test]
    fn a_limited_range_permits_more() {
        let mut story = Story::common();
        (story.nameplate.tap_min, story.nameplate.tap_max) = (-8, 8);
        assert!(amperes(&mut story, 0, 120, 340.0).is_empty(), "160 % of 219 A are 350 A");
        assert_eq!(amperes(&mut story, 120, 180, 370.0).len(), 1);
    }

    #[test]
    fn without_a_rating_nothing_is_judged() {
        let mut story = Story::common();
        story.nameplate.rated_current_a = 0.0;
        assert!(amperes(&mut story, 0, 120, 900.0).is_empty());
    }
}
