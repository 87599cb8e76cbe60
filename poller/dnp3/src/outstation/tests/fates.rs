//! Whatever happens on the way between our master and our outstation, no event is lost.

use proptest::prelude::*;

use super::pair::{Pair, association, counters, reporting};
use super::*;
use crate::master::AssociationConfig;
use crate::objects::Classes;

/// What can happen to both.
#[derive(Debug, Clone)]
enum Fate {
    Event,
    Carry(usize, usize),
    Wait(u64),
    Store,
    Cut,
    Connect,
    Well(u64),
}

fn fate() -> impl Strategy<Value = Fate> {
    let bytes = || prop_oneof![Just(usize::MAX), 0..30_usize];
    prop_oneof![
        3 => Just(Fate::Event),
        8 => (bytes(), bytes()).prop_map(|(there, back)| Fate::Carry(there, back)),
        4 => (0..6_000_u64).prop_map(Fate::Wait),
        4 => Just(Fate::Store),
        1 => Just(Fate::Cut),
        1 => Just(Fate::Connect),
        1 => (0..20_000_u64).prop_map(Fate::Well),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]

    /// [`Pair::settle`] checks that nothing is let go before it was stored, [`Pair::carry`] that nothing comes again after it was let go.
    #[test]
    fn every_event_reaches_the_host_whatever_happens_on_the_way(
        fates in prop::collection::vec(fate(), 0..120),
        max_fragment in prop_oneof![Just(2048_usize), 20..60_usize],
        unsolicited: bool,
        wanted: bool,
    ) {
        let session = SessionConfig { max_fragment, ..if unsolicited { reporting() } else { config() } };
        let classes = if wanted { Classes::EVENTS } else { Classes::default() };
        let mut pair = Pair::new(session, counters(), AssociationConfig { unsolicited: classes, ..association() });
        for fate in fates {
            match fate {
                Fate::Event => pair.happens(),
                Fate::Carry(there, back) => pair.carry(there, back),
                Fate::Wait(millis) => pair.wait(millis),
                Fate::Store => pair.store(),
                Fate::Cut => pair.cut(),
                Fate::Connect if !pair.connected => pair.connect(),
                Fate::Connect => {}
                Fate::Well(millis) => pair.run(millis),
            }
        }
        pair.run(300_000);
        prop_assert_eq!(pair.keeper.stored.len(), pair.made as usize);
        prop_assert_eq!(pair.let_go.len(), pair.made as usize);
    }
}
