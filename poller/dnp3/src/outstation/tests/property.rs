//! What holds whatever the database and the requests.

use proptest::prelude::*;

use super::*;
use crate::application::{Fragment, Function};
use crate::objects::{Meaning, Points};

/// Reads everything, confirming every fragment that asks for it, and returns what came as (kind, index, event, value).
fn read_all(device: &mut Device, request: &str, limit: usize) -> Vec<(Kind, u16, bool, String)> {
    let mut all = vec![];
    let mut answer = device.hears(request);
    while let Some(bytes) = answer.pop().map(|text| hex(&text)) {
        assert!(answer.is_empty());
        let fragment = Fragment::parse(&bytes).unwrap();
        assert_eq!(fragment.function, Function::Response);
        let before = all.len();
        for block in fragment.blocks().map(Result::unwrap) {
            assert!(matches!(block.shape.meaning, Meaning::Point { .. }));
            all.extend(
                Points::of(&block, None).map(|p| (p.kind, p.index, p.event, format!("{:?}", p.value))),
            );
        }
        assert!(bytes.len() <= limit || all.len() == before + 1, "{} bytes", bytes.len());
        assert!(fragment.control.last || fragment.control.confirm);
        if fragment.control.confirm {
            answer = device.hears(&format!("C{:X} 00", fragment.control.sequence.number()));
        }
    }
    all
}

fn any_point() -> impl Strategy<Value = (Kind, u16, u8)> {
    (prop::sample::select(Kind::ALL), prop_oneof![0..20_u16, 240..270_u16, any::<u16>()], any::<u8>())
}

fn value(kind: Kind, seed: u8, octets: &[u8]) -> Value<'_> {
    match kind {
        Kind::Binary | Kind::BinaryOutput => Value::Binary(seed & 1 == 1),
        Kind::DoubleBit => Value::DoubleBit(crate::objects::DoubleBit::from_bits(seed)),
        Kind::Counter | Kind::FrozenCounter => Value::Counter(seed.into()),
        Kind::Analog | Kind::FrozenAnalog | Kind::AnalogOutput => Value::Analog(seed.into()),
        Kind::Octets => Value::Octets(octets),
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    #[test]
    fn every_present_value_and_every_event_is_read_once(
        points in prop::collection::vec(any_point(), 0..80),
        packed: bool,
        limit in 16_usize..600,
    ) {
        let mut database = Database::new(1_000);
        for (kind, index, _) in &points {
            let config = PointConfig::of(*kind).class(Class::Two);
            let config = match kind {
                Kind::Binary | Kind::DoubleBit | Kind::BinaryOutput if packed => config.variations(1, 2),
                _ => config,
            };
            // the same point twice is one point
            let _ = database.add(*kind, *index, config);
        }
        let mut device = Device::of(SessionConfig { max_fragment: limit, ..config() }, database);
        let mut events = vec![];
        let mut present = std::collections::BTreeMap::new();
        for (kind, index, seed) in &points {
            let octets = vec![*seed; usize::from(*seed).max(1)];
            let value = value(*kind, *seed, &octets);
            let made = device.session.update(*kind, *index, value, Flags::ONLINE, at(0)).unwrap();
            if made {
                events.push((*kind, *index, true, format!("{value:?}")));
            }
            present.insert((*kind, *index), format!("{value:?}"));
        }
        let statics: Vec<_> = present.into_iter().map(|((kind, index), v)| (kind, index, false, v)).collect();
        prop_assert_eq!(read_all(&mut device, "C0 01 3C 01 06", limit), statics.clone());
        events.extend(statics);
        prop_assert_eq!(read_all(&mut device, "C5 01 3C 02 06 3C 03 06 3C 04 06 3C 01 06", limit), events);
        prop_assert_eq!(device.session.database().waiting_events(), 0);
    }

    #[test]
    fn nothing_that_is_heard_does_harm(
        fragments in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..40), 0..40),
        functions in prop::collection::vec(prop::sample::select(vec![0_u8, 1, 2, 20, 21, 23, 24]), 40),
    ) {
        let unsolicited = Some(UnsolicitedConfig::default());
        let mut device = Device::of(SessionConfig { unsolicited, ..config() }, points(Kind::Binary, 9));
        for (mut fragment, function) in fragments.into_iter().zip(functions) {
            if let [control, second, ..] = &mut fragment[..] {
                *control = *control & 0x1F | 0xC0;
                *second = function;
            }
            device.binary(0, fragment.len() % 2 == 0);
            device.hears(&text(&fragment));
            device.after(fragment.len() as u64 * 100);
        }
    }
}
