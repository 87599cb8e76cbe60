//! Which silences hide which alarms: suppression by design.
//!
//! Where a whole substation or a poller is cut off, each regulator and endpoint behind it falls silent too. One alarm says what is
//! wrong; hundreds that say the same hide it. So an alarm *that readings or answers do not come* is hidden, not dropped, while a wider
//! silence stands: it is kept, listed as suppressed by design (a state of ISA-18.2 and IEC 62682), and told should it outlast
//! the wider one.
//!
//! Nothing else is hidden. Alarms of what is known to be true of a regulator (voltage, reverse power, runaway, a slipped tap
//! report ...) stay in sight when it falls silent: what was wrong at the last reading is most likely wrong still, and
//! nobody is watching it any more.

use super::Condition;

/// A wider silence that hides an alarm while it stands, and why.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Silence {
    /// The condition that hides: of the endpoint, substation or poller that the alarm's place belongs to.
    pub parent: Condition,
    /// Why, for people.
    pub reason: &'static str,
}

const BY_ENDPOINT: Silence = Silence {
    parent: Condition::EndpointSilent,
    reason: "its endpoint does not answer, so no reading can come",
};
const BY_SUBSTATION: Silence = Silence {
    parent: Condition::SubstationSilent,
    reason: "many endpoints of its substation do not answer: the fault is most likely in what they share",
};
const BY_CUT_OFF: Silence = Silence {
    parent: Condition::PollerCutOff,
    reason: "its poller reaches hardly any endpoint: the fault is most likely the poller's own network",
};
const BY_POLLER: Silence =
    Silence { parent: Condition::PollerSilent, reason: "its poller is silent, so nothing is known of it" };

/// Of a regulator's readings that do not come.
pub(super) const OF_READINGS: &[Silence] = &[BY_ENDPOINT, BY_SUBSTATION, BY_CUT_OFF, BY_POLLER];
/// Of an endpoint that does not answer.
pub(super) const OF_ENDPOINT: &[Silence] = &[BY_SUBSTATION, BY_CUT_OFF, BY_POLLER];
/// Of a substation whose endpoints do not answer.
pub(super) const OF_SUBSTATION: &[Silence] = &[BY_CUT_OFF, BY_POLLER];

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    const SILENCES: [Condition; 5] = [
        Condition::ReadingsStale,
        Condition::EndpointSilent,
        Condition::SubstationSilent,
        Condition::PollerCutOff,
        Condition::PollerSilent,
    ];

    #[test]
    fn only_silences_are_hidden_and_only_by_wider_ones() {
        let place = |c: Condition| SILENCES.iter().position(|s| *s == c);
        for condition in Condition::all() {
            let own = place(condition);
            for silence in condition.suppressed_by() {
                assert!(own.is_some(), "{condition:?} is of what is known to be true");
                assert!(own < place(silence.parent), "{condition:?} by {:?}", silence.parent);
                assert!(condition.priority() <= silence.parent.priority());
            }
        }
    }

    #[test]
    fn what_hides_an_alarm_hides_all_that_it_hides() {
        for condition in Condition::all() {
            let parents: BTreeSet<_> = condition.suppressed_by().iter().map(|s| s.parent).collect();
            for parent in &parents {
                assert!(parent.suppressed_by().iter().all(|s| parents.contains(&s.parent)), "{condition:?}");
            }
        }
        assert_eq!(Condition::ReadingsStale.suppressed_by().len(), 4);
        assert_eq!(Condition::EndpointSilent.suppressed_by().len(), 3);
        assert_eq!(Condition::SubstationSilent.suppressed_by().len(), 2);
    }
}
