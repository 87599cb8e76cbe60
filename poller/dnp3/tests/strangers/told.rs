//! A value as either side tells it, in a form in which they can be compared.

use dnp3::application::Fragment;
use dnp3::objects::{Kind, Meaning, Point, Points, Time, Value, read_time};
use serde_json::Value as Json;

/// One value of one point.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Told {
    pub(crate) kind: Kind,
    pub(crate) index: u16,
    /// 0 or 1 for a state, 0 to 3 for a double one.
    pub(crate) number: f64,
    pub(crate) octets: Vec<u8>,
    /// Without the bits that hold a state.
    pub(crate) flags: Option<u8>,
    /// Milliseconds since 1970.
    pub(crate) time: Option<u64>,
}

impl Told {
    /// As our crate reads it.
    pub(crate) fn ours(point: &Point<'_>) -> Self {
        let (number, octets) = match point.value {
            Value::Binary(on) => (f64::from(u8::from(on)), &[][..]),
            Value::DoubleBit(state) => (state.bits().into(), &[][..]),
            Value::Counter(count) => (count.into(), &[][..]),
            Value::Analog(number) => (number, &[][..]),
            Value::Octets(octets) => (0.0, octets),
        };
        let flags = point.flags.map(|flags| flags.0 & flag_bits(point.kind));
        let time = point.time.map(|time| time.at.millis());
        Self { kind: point.kind, index: point.index, number, octets: octets.to_vec(), flags, time }
    }

    /// As a peer of `tests/peers` tells it.
    pub(crate) fn theirs(json: &Json) -> Self {
        let kind = Kind::ALL.iter().find(|kind| format!("{kind:?}") == json["kind"]).unwrap();
        Self {
            kind: *kind,
            index: u16::try_from(json["index"].as_u64().unwrap()).unwrap(),
            number: json["value"].as_f64().unwrap(),
            octets: vec![],
            flags: Some(u8::try_from(json["flags"].as_u64().unwrap()).unwrap() & flag_bits(*kind)),
            time: json["time"].as_u64(),
        }
    }
}

/// Which bits of the flags are flags.
pub(crate) const fn flag_bits(kind: Kind) -> u8 {
    match kind {
        Kind::Binary | Kind::BinaryOutput => 0x7F,
        Kind::DoubleBit => 0x3F,
        _ => 0xFF,
    }
}

/// The points of a fragment in their order, each with whether it is an event; up to what cannot be read.
pub(crate) fn points(fragment: &Fragment<'_>) -> Vec<(bool, Told)> {
    let (mut all, mut common) = (vec![], None);
    for block in fragment.blocks().map_while(Result::ok) {
        if let Meaning::CommonTime { synchronised } = block.shape.meaning {
            common = read_time(&block).map(|at| Time { at, synchronised: Some(synchronised) });
        }
        all.extend(Points::of(&block, common).map(|point| (point.event, Told::ours(&point))));
    }
    all
}

/// That two lists of values are the same; says where they begin to differ.
#[track_caller]
pub(crate) fn assert_same(told: &[Told], expected: &[Told]) {
    if let Some(at) = told.iter().zip(expected).position(|(told, expected)| told != expected) {
        assert_eq!(told[at], expected[at], "number {at}");
    }
    assert_eq!(told.len(), expected.len());
}
