//! The same readings of a bank give the same transitions, however they are cut into passes; one condition alone gives the same
//! as all of them.

use proptest::prelude::{ProptestConfig, Strategy, any, prop, prop_assert_eq, proptest};

use super::{
    BankDetector, BankUnit, Change, Condition, Member, Scope, Settings, Transition, bank_story::WYE,
    story::at,
};
use crate::{Connection, Nameplate, Phase, Quality, Quantity, Reading};

/// A reading of one of the bank's regulators, so long after the one before (negative: out of order).
#[derive(Debug, Clone)]
struct Event {
    after_s: i64,
    member: usize,
    tap: i8,
    volts: f64,
    missing: bool,
}

fn event() -> impl Strategy<Value = Event> {
    // mostly about even, now and then far apart
    let volts = [118.0..122.0f64, 118.0..122.0, 100.0..135.0];
    let [low, same, wide] = volts;
    let volts = proptest::prop_oneof![low, same, wide];
    (-4..10i64, 0..3usize, -16..=16i8, volts, 0..20u8).prop_map(|(after_s, member, tap, volts, missing)| {
        Event { after_s, member, tap, volts, missing: missing == 0 }
    })
}

fn settings() -> Settings {
    let mut settings = Settings::default();
    for condition in [Condition::TapSpread, Condition::VoltageUnbalance] {
        settings.set(condition, "delay_s", 20.0);
        settings.set(condition, "return_delay_s", 10.0);
    }
    settings
}

fn members() -> [Member; 3] {
    WYE.map(|phase| Member::new(phase, &Nameplate::common()))
}

fn readings(events: &[(Event, usize)]) -> Vec<(Phase, Reading)> {
    let mut now = 1000;
    let mut of = vec![];
    for (event, times) in events {
        for round in 0..*times {
            now += event.after_s;
            // a run of rounds of the whole bank, the one member differing
            for (i, phase) in WYE.into_iter().enumerate() {
                let own = i == event.member;
                let mut reading = Reading::new(at(now + i64::try_from(i).unwrap()))
                    .with(Quantity::Tap, if own { f64::from(event.tap) } else { 0.0 })
                    .with(Quantity::LoadVoltage, if own { event.volts } else { 120.0 });
                if own && event.missing && round % 2 == 0 {
                    reading.set(Quantity::Tap, None, Quality::NotAvailable);
                }
                of.push((phase, reading));
            }
        }
    }
    of
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(128) })]

    #[test]
    fn one_pass_and_pieces_and_one_condition_alone_agree(
        events in prop::collection::vec((event(), 1..8usize), 1..60),
        stored in any::<u64>(),
    ) {
        let unit = BankUnit::new(Connection::Wye, &members(), &settings());
        let (mut whole, mut pieces) = (BankDetector::new(), BankDetector::new());
        let (mut of_whole, mut of_pieces): (Vec<Transition>, Vec<Transition>) = (vec![], vec![]);
        let readings = readings(&events);
        for (place, (phase, reading)) in (0u32..).zip(&readings) {
            of_whole.extend(whole.observe(&unit, *phase, reading));
            of_pieces.extend(pieces.observe(&unit, *phase, reading));
            if stored.rotate_left(place) & 1 == 1 {
                pieces = serde_json::from_str(&serde_json::to_string(&pieces).unwrap()).unwrap();
            }
        }
        prop_assert_eq!(&of_whole, &of_pieces);
        prop_assert_eq!(whole.late(), pieces.late());
        for condition in Condition::all().filter(|c| c.scope() == Scope::Bank) {
            let unit = BankUnit::only(condition, Connection::Wye, &members(), &settings());
            let mut alone = BankDetector::new();
            let told: Vec<_> = readings.iter().flat_map(|(p, r)| alone.observe(&unit, *p, r)).collect();
            let expected: Vec<_> = of_whole.iter().filter(|t| t.condition == condition).cloned().collect();
            prop_assert_eq!(told, expected);
        }
    }
}

#[test]
fn the_generated_readings_do_raise_and_return_every_condition_of_a_bank() {
    use proptest::{strategy::ValueTree, test_runner::TestRunner};
    let mut runner = TestRunner::deterministic();
    let unit = BankUnit::new(Connection::Wye, &members(), &settings());
    let mut seen = std::collections::BTreeSet::new();
    for _ in 0..100 {
        let events = prop::collection::vec((event(), 1..8usize), 60).new_tree(&mut runner).unwrap().current();
        let mut detector = BankDetector::new();
        for (phase, reading) in readings(&events) {
            let told = detector.observe(&unit, phase, &reading);
            seen.extend(told.iter().map(|t| (t.condition, t.change == Change::Raised)));
        }
    }
    let expected = Condition::all().filter(|c| c.scope() == Scope::Bank).count() * 2;
    assert_eq!(seen.len(), expected, "{seen:?}");
}
