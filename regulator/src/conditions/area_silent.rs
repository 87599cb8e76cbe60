//! Many endpoints of one substation, or most that one poller polls, do not answer at the same time.
//!
//! One fault in what they share makes all of them fail; told once, and first, it stands for them (see
//! [`super::Silence`]). True when at least so many endpoints, and at least such a share of all, have each been failing for the
//! delay; the instant is computed from when they began to, so it is the same whenever it is noticed. The delay is shorter than
//! that of a single endpoint: where the thresholds say otherwise it is cut to half of it, so that the wider alarm comes first.
//!
//! True no longer when for the return delay every look has found the share failing, however briefly, below the limit by
//! the deadband. A poller of fewer endpoints than the least is never found cut off: its endpoints are told one by one.

use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Fact, Settings, Transition,
    hold::{later, seconds},
    words::{count, fact, number, span},
};
use crate::Timestamp;

/// Of a single endpoint's delay, at most.
const SHARE_OF_ENDPOINT_DELAY: f64 = 0.5;

/// What one substation or poller is judged by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AreaLimits {
    condition: Condition,
    share: f64,
    least: u64,
    again_share: f64,
    delay_s: f64,
    return_delay_s: f64,
}

impl AreaLimits {
    /// Of a substation.
    #[must_use]
    pub fn of_substation(settings: &Settings) -> Self {
        Self::of(Condition::SubstationSilent, settings)
    }

    /// Of a poller.
    #[must_use]
    pub fn of_poller(settings: &Settings) -> Self {
        Self::of(Condition::PollerCutOff, settings)
    }

    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a small count within its range"
    )]
    fn of(condition: Condition, settings: &Settings) -> Self {
        let get = |name| settings.get(condition, name);
        let share = get("share_percent") / 100.0;
        let endpoint_s = settings.get(Condition::EndpointSilent, "delay_s");
        Self {
            condition,
            share,
            least: get("least").ceil() as u64,
            again_share: share * (1.0 - get("deadband_percent") / 100.0),
            delay_s: get("delay_s").min(SHARE_OF_ENDPOINT_DELAY * endpoint_s),
            return_delay_s: get("return_delay_s"),
        }
    }

    /// Whether so many of so many are enough.
    fn enough(&self, silent: u64, total: u64) -> bool {
        // a tolerance for the last digit of the product, which counts do not have
        silent >= self.least && count(silent) >= self.share * count(total) - 1e-9
    }
}

/// One area's condition and what it remembers.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct AreaDetector {
    active: bool,
    /// Since when enough endpoints were failing.
    began: Option<Timestamp>,
    /// Most endpoints found failing.
    worst: u64,
    /// First of the looks in a row that found few failing.
    clear: Option<Timestamp>,
    /// The last transition: the next is not told as of an earlier instant.
    last: Option<Timestamp>,
}

impl AreaDetector {
    /// Remembers nothing yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Whether it is true, as far as was told.
    #[must_use]
    pub const fn is_active(&self) -> bool {
        self.active
    }

    /// What is known at `watermark`: the area has `total` endpoints in service, and these do not answer since the instants
    /// of `failing`, one an endpoint, in any order. Look after every batch of which an endpoint of the area is part.
    pub fn observe(
        &mut self,
        limits: &AreaLimits,
        watermark: Timestamp,
        total: u64,
        failing: impl IntoIterator<Item = Timestamp>,
    ) -> Vec<Transition> {
        let mut since: Vec<Timestamp> = failing.into_iter().collect();
        let silent = u64::try_from(since.len()).unwrap_or(u64::MAX).min(total);
        if self.active {
            self.worst = self.worst.max(silent);
            return self.ends(limits, watermark, silent, total);
        }
        if !limits.enough(silent, total) {
            return vec![];
        }
        since.sort_unstable();
        self.begins(limits, watermark, total, &since)
    }

    /// True from when the last endpoint that it takes had been failing for the delay.
    fn begins(
        &mut self,
        limits: &AreaLimits,
        watermark: Timestamp,
        total: u64,
        since: &[Timestamp],
    ) -> Vec<Transition> {
        let Some((_, &began)) = (1..).zip(since).find(|(n, _)| limits.enough(*n, total)) else {
            return vec![];
        };
        let at = later(began, limits.delay_s);
        if at > watermark {
            return vec![];
        }
        let at = self.last.map_or(at, |last| last.max(at));
        let silent = u64::try_from(since.len()).unwrap_or(u64::MAX).min(total);
        *self = Self { active: true, began: Some(began), worst: silent, clear: None, last: Some(at) };
        let summary = format!(
            "{silent} of {total} endpoints do not answer ({} %), limit {} % for {}",
            percent(silent, total),
            number(100.0 * limits.share, 1),
            span(limits.delay_s)
        );
        let facts = facts(limits, silent, total);
        vec![Transition { condition: limits.condition, change: Change::Raised, at, summary, facts }]
    }

    fn ends(
        &mut self,
        limits: &AreaLimits,
        watermark: Timestamp,
        silent: u64,
        total: u64,
    ) -> Vec<Transition> {
        if silent > 0 && count(silent) >= limits.again_share * count(total) {
            self.clear = None;
            return vec![];
        }
        let first = *self.clear.get_or_insert(watermark);
        if seconds(first, watermark) < limits.return_delay_s {
            return vec![];
        }
        let at = self.last.map_or(watermark, |last| last.max(watermark));
        let lasted_s = self.began.map_or(0.0, |began| seconds(began, at));
        let summary = format!(
            "{} of {total} endpoints answer; up to {} did not, over {}",
            total - silent,
            self.worst,
            span(lasted_s)
        );
        let mut facts = facts(limits, silent, total);
        facts.push(fact("Most endpoints not answering", count(self.worst), ""));
        facts.push(fact("Since the last of them began to fail", lasted_s, "s"));
        *self = Self { last: Some(at), ..Self::default() };
        vec![Transition { condition: limits.condition, change: Change::Returned, at, summary, facts }]
    }
}

fn percent(silent: u64, total: u64) -> String {
    number(100.0 * count(silent) / count(total).max(1.0), 0)
}

fn facts(limits: &AreaLimits, silent: u64, total: u64) -> Vec<Fact> {
    vec![
        fact("Endpoints not answering", count(silent), ""),
        fact("Endpoints in all", count(total), ""),
        fact("Limit", 100.0 * limits.share, "%"),
        fact("For at least", limits.delay_s, "s"),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::story::{at, told};
    use proptest::prelude::{ProptestConfig, any, prop, prop_assert_eq, proptest};

    fn substation() -> AreaLimits {
        AreaLimits::of_substation(&Settings::default())
    }

    fn look(area: &mut AreaDetector, limits: &AreaLimits, s: i64, total: u64, since: &[i64]) -> Vec<String> {
        told(area.observe(limits, at(s), total, since.iter().map(|s| at(*s))))
    }

    #[test]
    fn half_of_a_substation_for_twenty_seconds() {
        let (mut area, limits) = (AreaDetector::new(), substation());
        assert!(look(&mut area, &limits, 200, 8, &[100, 102, 103]).is_empty(), "three of eight");
        assert!(look(&mut area, &limits, 127, 8, &[100, 103, 102, 108]).is_empty(), "the fourth for 19 s");
        assert_eq!(
            look(&mut area, &limits, 150, 8, &[100, 103, 149, 102, 108]),
            ["128 substation_silent raised: 5 of 8 endpoints do not answer (62 %), limit 50 % for 20 s"]
        );
        assert!(
            look(&mut area, &limits, 160, 8, &[100, 149]).is_empty(),
            "a quarter is not below half of half"
        );
        assert!(look(&mut area, &limits, 170, 8, &[149]).is_empty());
        assert!(look(&mut area, &limits, 180, 8, &[149, 175]).is_empty(), "and begins anew");
        assert!(look(&mut area, &limits, 190, 8, &[149]).is_empty());
        assert!(look(&mut area, &limits, 249, 8, &[]).is_empty());
        assert_eq!(
            look(&mut area, &limits, 250, 8, &[]),
            ["250 substation_silent returned: 8 of 8 endpoints answer; up to 5 did not, over 2.4 min"]
        );
        assert!(!area.is_active());
    }

    #[test]
    fn two_endpoints_are_no_area_and_nine_no_poller() {
        let mut area = AreaDetector::new();
        assert!(look(&mut area, &substation(), 1000, 2, &[0, 0]).is_empty());
        let poller = AreaLimits::of_poller(&Settings::default());
        assert!(look(&mut area, &poller, 1000, 9, &[0; 9]).is_empty());
        assert!(look(&mut area, &poller, 1000, 100, &[0; 59]).is_empty());
        assert_eq!(
            look(&mut area, &poller, 1000, 100, &[0; 60]),
            ["10 poller_cut_off raised: 60 of 100 endpoints do not answer (60 %), limit 60 % for 10 s"]
        );
    }

    #[test]
    fn it_always_comes_before_the_single_endpoints() {
        for condition in [Condition::SubstationSilent, Condition::PollerCutOff] {
            let mut settings = Settings::default();
            settings.set(condition, "delay_s", 600.0);
            let (limits, single) = (AreaLimits::of(condition, &settings), 120.0);
            assert!(limits.delay_s < single, "{limits:?}");
            let default = |c: Condition| c.parameter("delay_s").unwrap().default;
            assert!(default(condition) < default(Condition::EndpointSilent));
        }
    }

    #[test]
    fn an_area_whose_endpoints_were_taken_out_of_service_is_not_silent() {
        let (mut area, limits) = (AreaDetector::new(), substation());
        look(&mut area, &limits, 100, 4, &[0; 4]);
        assert!(look(&mut area, &limits, 110, 0, &[]).is_empty());
        assert_eq!(look(&mut area, &limits, 170, 0, &[]).len(), 1);
    }

    #[test]
    fn it_does_not_begin_before_it_last_ended() {
        let (mut area, limits) = (AreaDetector::new(), substation());
        look(&mut area, &limits, 100, 4, &[0; 4]);
        look(&mut area, &limits, 200, 4, &[]);
        assert_eq!(look(&mut area, &limits, 260, 4, &[]).len(), 1);
        let again = look(&mut area, &limits, 270, 4, &[150; 4]);
        assert!(again[0].starts_with("260 substation_silent raised"), "{again:?}");
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(256) })]

        /// The order in which endpoints are listed, looks at the same watermark, and storing in between change nothing.
        #[test]
        fn order_repetition_and_storing_do_not_matter(
            steps in prop::collection::vec((1..40i64, any::<u16>()), 1..60),
            repeat in any::<u64>(),
        ) {
            let limits = substation();
            let (mut one, mut other) = (AreaDetector::new(), AreaDetector::new());
            let (mut now, mut since) = (0, [None::<i64>; 12]);
            let (mut of_one, mut of_other) = (vec![], vec![]);
            for (place, (after, bits)) in (0_u32..).zip(&steps) {
                now += after;
                for (i, since) in since.iter_mut().enumerate() {
                    // runs of the same pattern, so that delays are reached
                    let fails = bits & 0x8000 == 0 && (bits >> i) & 1 == 1;
                    *since = if fails { since.or(Some(now)) } else { None };
                }
                let failing: Vec<i64> = since.iter().flatten().copied().collect();
                let backwards: Vec<i64> = failing.iter().rev().copied().collect();
                of_one.extend(look(&mut one, &limits, now, 12, &failing));
                of_other.extend(look(&mut other, &limits, now, 12, &backwards));
                if repeat.rotate_left(place) & 1 == 1 {
                    let again = look(&mut other, &limits, now, 12, &failing);
                    prop_assert_eq!(again, Vec::<String>::new());
                    other = serde_json::from_str(&serde_json::to_string(&other).unwrap()).unwrap();
                }
            }
            prop_assert_eq!(of_one, of_other);
        }
    }
}
