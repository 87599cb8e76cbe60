//! The operation counter cannot be believed: it jumped, went back without rolling over, or disagrees with the tap again and again.
//!
//! A jump or a step back is told with the reading that shows it (see [`crate::counter`]): a control replaced or restarted, a counter
//! set by hand. Tap and counter are compared once both are at rest (see [`crate::mechanism::Ledger`]); it takes several
//! disagreements in a row, because one may be a reading that was missed, or a tap made by hand crank. True no longer when for the return
//! delay every reading with a counter has been consistent; so a control replaced is one alarm, and ends by itself.

use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Settings, Transition,
    hold::{Delays, Hold},
    words::{count, fact, span},
};
use crate::{
    Nameplate, Quantity, Reading, Timestamp,
    counter::Step,
    mechanism::{Ledger, News, Verdict},
};

/// The limits of one regulator.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Limits {
    disagreements: f64,
    settle_s: f64,
    delays: Delays,
    modulus: u64,
}

impl Limits {
    pub(super) fn new(nameplate: &Nameplate, settings: &Settings) -> Self {
        let get = |name| settings.get(Condition::CounterAnomaly, name);
        Self {
            disagreements: get("disagreements"),
            settle_s: get("settle_s"),
            delays: Delays { on_s: 0.0, off_s: get("return_delay_h") * 3600.0 },
            modulus: nameplate.counter_modulus,
        }
    }
}

/// The state.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct CounterAnomaly {
    hold: Hold,
    ledger: Ledger,
    /// In a row, up to now.
    disagreements: u32,
}

impl CounterAnomaly {
    pub(super) fn observe(&mut self, limits: &Limits, reading: &Reading, out: &mut Vec<Transition>) {
        let earlier = self.ledger.counter();
        let news = self.ledger.observe(reading, limits.modulus, limits.settle_s);
        if reading.good(Quantity::Operations).is_none() {
            return;
        }
        if let Some(settled) = news.settled {
            match settled.verdict {
                Verdict::Agree => self.disagreements = 0,
                Verdict::CountedOdd | Verdict::CountedTooFew => self.disagreements += 1,
                Verdict::CannotTell => {}
            }
        }
        let odd = breaks(news) || f64::from(self.disagreements) >= limits.disagreements;
        let Some(change) =
            self.hold.observe(reading.measured_at, odd != self.hold.is_active(), limits.delays)
        else {
            return;
        };
        let told = (earlier.unwrap_or(0), news);
        out.push(self.transition(change, reading.measured_at, limits, told));
    }

    /// Drops what was learnt under a clock that turned out to be wrong.
    pub(super) fn forget(&mut self) {
        self.hold.forget_pending();
        self.ledger.forget();
    }

    fn transition(
        &self,
        change: Change,
        at: Timestamp,
        limits: &Limits,
        (earlier, news): (u64, News),
    ) -> Transition {
        let now = self.ledger.counter().unwrap_or(0);
        let summary = match (change, news.counted, news.settled) {
            (Change::Returned, ..) => {
                format!("counter at {now}, consistent for {}", span(limits.delays.off_s))
            }
            (_, Some(Step::Restarted(_)), _) => format!("counter went back from {earlier} to {now}"),
            (_, Some(Step::Jumped), _) => format!("counter jumped from {earlier} to {now}"),
            (_, _, Some(s)) => format!(
                "tap and counter disagree, {} times in a row; last counted {}, tap moved by {}",
                self.disagreements, s.counted, s.moved
            ),
            _ => format!("tap and counter disagree, {} times in a row", self.disagreements),
        };
        let facts = vec![
            fact("Counter before", count(earlier), ""),
            fact("Counter", count(now), ""),
            fact("Disagreements with the tap in a row", f64::from(self.disagreements), ""),
        ];
        Transition { condition: Condition::CounterAnomaly, change, at, summary, facts }
    }
}

/// Whether the counter did what no mechanism does.
const fn breaks(news: News) -> bool {
    matches!(news.counted, Some(Step::Restarted(_) | Step::Jumped))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::story::{Story, at};

    struct Watch {
        story: Story,
        minute: i64,
    }

    impl Watch {
        fn new() -> Self {
            let mut story = Story::common();
            story.nameplate.counter_modulus = 65_536;
            Self { story, minute: 0 }
        }

        /// Minutes of readings with these values; what is told of this condition.
        fn minutes(&mut self, minutes: i64, tap: f64, operations: f64) -> Vec<String> {
            let mut told = vec![];
            for _ in 0..minutes {
                let reading = Reading::new(at(self.minute * 60))
                    .with(Quantity::Tap, tap)
                    .with(Quantity::Operations, operations);
                told.extend(self.story.observe(&reading));
                self.minute += 1;
            }
            told.retain(|line| line.contains("counter_anomaly"));
            told
        }
    }

    #[test]
    fn a_replaced_control_is_told_once_and_ends_by_itself() {
        let mut watch = Watch::new();
        assert!(watch.minutes(60, 3.0, 41_200.0).is_empty());
        assert_eq!(
            watch.minutes(60, 3.0, 4120.0),
            ["3600 counter_anomaly raised: counter jumped from 41200 to 4120"]
        );
        assert!(watch.minutes(60, 4.0, 4121.0).is_empty());
        let told = watch.minutes(24 * 60, 4.0, 4121.0);
        assert_eq!(told, ["90060 counter_anomaly returned: counter at 4121, consistent for 24 h"]);
    }

    #[test]
    fn a_restart_from_zero_is_told_and_a_rollover_is_not() {
        let mut watch = Watch::new();
        watch.minutes(5, 3.0, 500.0);
        let told = watch.minutes(5, 3.0, 0.0);
        assert_eq!(told, ["300 counter_anomaly raised: counter went back from 500 to 0"]);
        let mut healthy = Watch::new();
        assert!(healthy.minutes(5, 3.0, 65_535.0).is_empty());
        assert!(healthy.minutes(5, 5.0, 1.0).is_empty());
    }

    #[test]
    fn a_counter_that_stands_still_while_the_tap_moves_is_told_with_the_third_time() {
        let mut watch = Watch::new();
        assert!(watch.minutes(10, 3.0, 500.0).is_empty());
        assert!(watch.minutes(10, 4.0, 500.0).is_empty());
        assert!(watch.minutes(10, 5.0, 500.0).is_empty());
        let told = watch.minutes(10, 4.0, 500.0);
        assert_eq!(
            told,
            [
                "1860 counter_anomaly raised: tap and counter disagree, 3 times in a row; last counted 0, tap moved by 1"
            ]
        );
        // counting again: the first agreement starts the return delay
        let told = watch.minutes(25 * 60, 5.0, 501.0);
        assert_eq!(told.len(), 1, "{told:?}");
    }

    #[test]
    fn a_healthy_year_with_a_crank_now_and_then_is_nothing() {
        let mut watch = Watch::new();
        let (mut tap, mut operations) = (0, 0);
        for i in 0..3000 {
            let step = if (i / 7) % 2 == 0 { 1 } else { -1 };
            tap += step;
            // every fiftieth move is made by hand and not counted
            operations += i32::from(i % 50 != 0);
            assert!(watch.minutes(5, f64::from(tap), f64::from(operations)).is_empty(), "{i}");
        }
    }
}
