//! The taps of a bank's regulators are far apart, or apart at all in a bank that moves together.
//!
//! Where each phase has its own control a spread is normal: unbalanced load wants it (the published taps of the IEEE 13- and
//! 123-node feeders have spreads of 3 and 7). So the default limit is beyond those. A bank of one control that moves all, or
//! whose phases follow a leader, must have no spread; whether it is one the thresholds say, or it tells itself (see
//! [`crate::balance::Lockstep`]). One regulator alone has no spread.

use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Settings, Transition,
    hold::{Delays, Hold},
    words::{fact, number, span},
};
use crate::{
    Phase, Timestamp,
    balance::{Evidence, Lockstep, Spread},
};

/// How long mechanisms and polls of a bank that moves together may be apart at a move, seconds (common practice: a step takes
/// some seconds).
const GRACE_S: f64 = 120.0;
/// Less than this is no difference of taps: positions are whole numbers.
const SAME: f64 = 0.5;

/// Whether the bank moves together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Together {
    TellsItself,
    Yes,
    No,
}

/// The limits of one bank.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Limits {
    taps: f64,
    together: Together,
    evidence: Evidence,
    delays: Delays,
}

impl Limits {
    /// `close_s`: how far apart in time readings may be that are compared.
    pub(super) fn new(settings: &Settings, close_s: f64) -> Self {
        let get = |name| settings.get(Condition::TapSpread, name);
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a count within its range"
        )]
        let moves = get("moves").round() as u32;
        Self {
            taps: get("taps"),
            together: match get("moves_together") {
                v if v < 0.5 => Together::TellsItself,
                v if v < 1.5 => Together::Yes,
                _ => Together::No,
            },
            evidence: Evidence {
                equal_s: get("equal_h") * 3600.0,
                moves,
                grace_s: GRACE_S.max(2.0 * close_s),
            },
            delays: Delays { on_s: get("delay_s"), off_s: get("return_delay_s") },
        }
    }
}

/// The state.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct TapSpread {
    pub(super) hold: Hold,
    pub(super) lockstep: Lockstep,
}

impl TapSpread {
    /// Whether the bank is taken to move together.
    pub(super) fn together(&self, limits: &Limits) -> bool {
        match limits.together {
            Together::Yes => true,
            Together::No => false,
            Together::TellsItself => self.lockstep.together(),
        }
    }

    /// Whether it has to be reckoned with that the bank moves together.
    pub(super) fn may_be_together(&self, limits: &Limits) -> bool {
        match limits.together {
            Together::Yes => true,
            Together::No => false,
            Together::TellsItself => self.lockstep.may_be_together(),
        }
    }

    /// Takes the taps of all regulators of the bank at one instant.
    pub(super) fn observe(
        &mut self,
        limits: &Limits,
        at: Timestamp,
        taps: &[(Phase, f64)],
        out: &mut Vec<Transition>,
    ) {
        let Some(spread) = Spread::of(taps) else { return };
        let equal = spread.taps() < SAME;
        if limits.together == Together::TellsItself {
            self.lockstep.observe(at, equal.then_some(spread.highest.1), &limits.evidence);
        }
        let together = self.together(limits);
        let apart = if together { !equal } else { spread.taps() > limits.taps };
        let Some(change) = self.hold.observe(at, apart != self.hold.is_active(), limits.delays) else {
            return;
        };
        out.push(self.transition(
            change,
            at,
            taps,
            &spread,
            if together { 0.0 } else { limits.taps },
            together,
        ));
    }

    fn transition(
        &self,
        change: Change,
        at: Timestamp,
        taps: &[(Phase, f64)],
        spread: &Spread,
        limit: f64,
        together: bool,
    ) -> Transition {
        let lasted_s = self.hold.lasted_s(at);
        let each = taps.iter().map(|(phase, tap)| format!("{} {tap:+}", phase.title()));
        let each = each.collect::<Vec<_>>().join(", ");
        let (apart, lasted) = (number(spread.taps(), 1), span(lasted_s));
        let summary = match (change, together) {
            (Change::Raised, true) => {
                let odd = Spread::odd_one(taps).map(|phase| format!("; {} is out of step", phase.title()));
                format!(
                    "taps {each}: {apart} apart for {lasted}, in a bank that moves together{}",
                    odd.unwrap_or_default()
                )
            }
            (Change::Raised, false) => {
                format!("taps {each}: {apart} apart for {lasted}, limit {}", number(limit, 1))
            }
            (Change::Returned, true) => format!("taps {each}: together again after {lasted}"),
            (Change::Returned, false) => {
                format!("taps {each}: {apart} apart; had been beyond the limit over {lasted}")
            }
        };
        let mut facts = vec![fact("Tap spread", spread.taps(), ""), fact("Limit", limit, "")];
        facts.extend(taps.iter().map(|(phase, tap)| fact(&format!("Tap {}", phase.title()), *tap, "")));
        facts.push(fact("Since the first such reading", lasted_s, "s"));
        Transition { condition: Condition::TapSpread, change, at, summary, facts }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::bank_story::BankStory;

    const HOUR: i64 = 3600;

    /// Rounds of taps each five minutes over these hours.
    fn hours(
        story: &mut BankStory,
        hours: std::ops::Range<i64>,
        taps: impl Fn(i64) -> [f64; 3],
    ) -> Vec<String> {
        story.every_s = 300.0;
        let rounds = (hours.start * HOUR..hours.end * HOUR).step_by(300);
        rounds.flat_map(|s| story.round(s, taps(s).map(Some), [Some(120.0); 3])).collect()
    }

    /// A tap that moves twice a day, and a few times more.
    fn daily(s: i64) -> f64 {
        [2.0, 3.0, 5.0, 6.0, 4.0, 3.0][usize::try_from(s / (4 * HOUR) % 6).unwrap()]
    }

    /// Published taps of the IEEE 13-node feeder 10, 8, 11 and of the 123-node feeder 8, 1, 5: controls of their own, healthy.
    #[test]
    fn published_spreads_of_independent_phases_are_nothing() {
        for taps in [[10.0, 8.0, 11.0], [8.0, 1.0, 5.0]] {
            assert!(hours(&mut BankStory::wye(), 0..48, |_| taps).is_empty());
        }
    }

    #[test]
    fn a_wide_spread_is_told_and_ends() {
        let mut story = BankStory::wye();
        let told = hours(&mut story, 0..2, |s| if s < HOUR { [12.0, 2.0, 9.0] } else { [9.0, 2.0, 9.0] });
        assert_eq!(
            told,
            [
                "900 tap_spread raised: taps A +12, B +2, C +9: 10 apart for 15 min, limit 8",
                "4500 tap_spread returned: taps A +9, B +2, C +9: 7 apart; had been beyond the limit over 75 min",
            ]
        );
    }

    #[test]
    fn a_bank_that_moved_together_for_a_week_and_does_so_no_longer_is_told_of() {
        let mut story = BankStory::wye();
        assert!(hours(&mut story, 0..200, |s| [daily(s); 3]).is_empty());
        assert!(story.moves_together());
        let told = hours(&mut story, 200..210, |s| [daily(s), daily(200 * HOUR), daily(s)]);
        assert_eq!(told.len(), 1, "{told:?}");
        assert!(
            told[0].ends_with("apart for 15 min, in a bank that moves together; B is out of step"),
            "{told:?}"
        );
        let told = hours(&mut story, 210..212, |s| [daily(s); 3]);
        assert!(told.len() == 1 && told[0].contains("together again"), "{told:?}");
    }

    #[test]
    fn taps_that_rest_equal_prove_nothing() {
        let mut story = BankStory::wye();
        assert!(hours(&mut story, 0..400, |_| [0.0; 3]).is_empty());
        assert!(!story.moves_together());
        assert!(hours(&mut story, 400..410, |_| [0.0, 1.0, 2.0]).is_empty());
    }

    #[test]
    fn the_thresholds_can_say_it() {
        let mut story = BankStory::wye();
        story.settings.set(Condition::TapSpread, "moves_together", 1.0);
        assert_eq!(hours(&mut story, 0..1, |_| [3.0, 3.0, 4.0]).len(), 1);
        story.settings.set(Condition::TapSpread, "moves_together", 2.0);
        let told = hours(&mut story, 1..2, |_| [3.0, 3.0, 4.0]);
        assert!(told.len() == 1 && told[0].contains("returned"), "{told:?}");
    }

    #[test]
    fn two_regulators_have_a_spread_and_one_has_none() {
        let taps = |_| [16.0, -16.0, 0.0];
        assert_eq!(hours(&mut BankStory::open_delta(), 0..1, taps).len(), 1);
        assert!(hours(&mut BankStory::single(), 0..48, taps).is_empty());
    }
}
