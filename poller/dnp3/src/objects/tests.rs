//! Values by hand. Vectors from the tests of the opendnp3 project (Apache-2.0) are marked with its name; the others follow
//! from annex A of the standard, their numbers computed by hand or by IEEE 754.

use proptest::prelude::*;

use super::*;
use crate::application::{Block, Blocks, write};
use crate::link::tests::hex;

/// One line a value, as a test reads best.
fn read(objects: &str) -> Vec<String> {
    let bytes = hex(objects);
    let mut lines = vec![];
    let mut common = None;
    for block in Blocks::with_data(&bytes) {
        let block = block.unwrap();
        if let Meaning::CommonTime { synchronised } = block.shape.meaning {
            common = read_time(&block).map(|at| Time { at, synchronised: Some(synchronised) });
        }
        for point in Points::of(&block, common) {
            let value = match point.value {
                Value::Binary(on) => on.to_string(),
                Value::DoubleBit(state) => format!("{state:?}"),
                Value::Counter(n) => n.to_string(),
                Value::Analog(x) => x.to_string(),
                Value::Octets(bytes) => String::from_utf8_lossy(bytes).into_owned(),
            };
            let flags = point.flags.map_or(String::new(), |f| format!(" {:02X}", f.0));
            let time = point.time.map_or(String::new(), |t| {
                let clock = match t.synchronised {
                    None => "",
                    Some(true) => " synchronised",
                    Some(false) => " free",
                };
                format!(" @{}{clock}", t.at.millis())
            });
            lines.push(format!("{:?} {} {value}{flags}{time}", point.kind, point.index));
        }
    }
    lines
}

/// opendnp3, TestMaster and TestOutstation.
#[test]
fn values_of_published_fragments() {
    assert_eq!(read("01 02 00 00 00 02"), ["Binary 0 false 02"]);
    assert_eq!(read("1E 02 00 05 06 01 2A 00 01 29 00"), ["Analog 5 42 01", "Analog 6 41 01"]);
    assert_eq!(read("14 01 00 00 00 01 05 00 00 00"), ["Counter 0 5 01"]);
    assert_eq!(read("1E 05 00 00 00 01 33 33 BF 42"), [format!("Analog 0 {} 01", f64::from(95.6_f32))]);
    assert_eq!(read("02 01 28 01 00 00 00 81"), ["Binary 0 true 81"]);
}

#[test]
fn packed_states_count_from_the_lowest_bit() {
    assert_eq!(
        read("01 01 00 02 0A 05 01"),
        ["2 true", "3 false", "4 true", "5 false", "6 false", "7 false", "8 false", "9 false", "10 true"]
            .map(|line| format!("Binary {line}"))
    );
    assert_eq!(
        read("03 01 00 00 04 E4 01"),
        ["0 Intermediate", "1 Off", "2 On", "3 Indeterminate", "4 Off"]
            .map(|line| format!("DoubleBit {line}"))
    );
}

#[test]
fn every_width_and_sign() {
    assert_eq!(read("1E 01 00 07 07 01 FE FF FF FF"), ["Analog 7 -2 01"]);
    assert_eq!(read("1E 03 00 07 07 FF FF FF 7F"), ["Analog 7 2147483647"]);
    assert_eq!(read("1E 04 00 07 07 00 80"), ["Analog 7 -32768"]);
    assert_eq!(read("1E 06 00 07 07 01 00 00 00 00 00 00 F8 3F"), ["Analog 7 1.5 01"]);
    assert_eq!(read("14 02 00 01 01 01 FF FF"), ["Counter 1 65535 01"]);
    assert_eq!(read("14 05 00 01 01 FF FF FF FF"), ["Counter 1 4294967295"]);
    assert_eq!(read("14 06 00 01 01 01 00"), ["Counter 1 1"]);
    assert_eq!(read("15 0A 01 01 01 01 01 07 00"), ["FrozenCounter 257 7"]);
    assert_eq!(read("28 02 00 03 03 01 0A 00"), ["AnalogOutput 3 10 01"]);
    assert_eq!(read("0A 02 00 03 03 81"), ["BinaryOutput 3 true 81"]);
    assert_eq!(read("6E 05 00 02 02 68 65 6C 6C 6F"), ["Octets 2 hello"]);
    assert_eq!(read("6F 02 17 01 09 68 69"), ["Octets 9 hi"]);
}

/// 1234 ms is opendnp3's; the other time is 2014-12-28T21:32:21Z.
#[test]
fn times_absolute_and_relative() {
    assert_eq!(read("02 02 17 01 03 81 D2 04 00 00 00 00"), ["Binary 3 true 81 @1234"]);
    assert_eq!(
        read("20 03 28 01 00 03 00 01 05 00 00 00 88 6E D0 92 4A 01"),
        ["Analog 3 5 01 @1419802341000"]
    );
    assert_eq!(
        read("33 01 07 01 D2 04 00 00 00 00 02 03 17 02 00 81 00 00 01 01 10 00"),
        ["Binary 0 true 81 @1234 synchronised", "Binary 1 false 01 @1250 synchronised"]
    );
    assert_eq!(
        read("33 02 07 01 D2 04 00 00 00 00 04 03 17 01 00 81 01 00"),
        ["DoubleBit 0 On 81 @1235 free"]
    );
    // without a common time nothing is known of when
    assert_eq!(read("02 03 17 01 00 81 05 00"), ["Binary 0 true 81"]);
}

#[test]
fn flags_say_what_is_wrong() {
    use Fault::*;
    let faults = |kind, bits| Flags(bits).faults(kind).collect::<Vec<_>>();
    assert_eq!(faults(Kind::Binary, 0x81), []);
    assert_eq!(faults(Kind::Binary, 0x00), [Offline]);
    assert_eq!(faults(Kind::Binary, 0x21), [Chatter]);
    assert_eq!(
        faults(Kind::Analog, 0x3F),
        [CommunicationLost, Restart, RemoteForced, LocalForced, OverRange]
    );
    assert_eq!(faults(Kind::Analog, 0x41), [ReferenceCheck]);
    assert_eq!(faults(Kind::Counter, 0x61), [Discontinuity, Rollover]);
    // the upper bits of a double-bit input are its state
    assert_eq!(faults(Kind::DoubleBit, 0xC1), []);
    assert!(Flags::ONLINE.is_good(Kind::Counter));
    assert!(!Flags(0x03).is_good(Kind::Counter));
}

#[test]
fn attributes_are_read() {
    use attribute::Content;
    let bytes = hex(
        "00 FC 00 00 00 01 05 4D 61 6B 65 72 00 D9 00 00 00 02 02 34 12 00 10 00 00 00 03 01 FE 00 11 00 00 00 04 04 00 00 C0 3F",
    );
    let attributes: Vec<_> =
        Blocks::with_data(&bytes).flat_map(|b| b.unwrap().attributes().collect::<Vec<_>>()).collect();
    let contents: Vec<_> = attributes.iter().map(|a| (a.variation, a.content)).collect();
    assert_eq!(
        contents,
        [
            (252, Content::Text(b"Maker")),
            (217, Content::Unsigned(0x1234)),
            (16, Content::Signed(-2)),
            (17, Content::Float(1.5)),
        ]
    );
}

/// opendnp3, TestOutstation: 16 bits cut to the nearest, with the flag for over range.
#[test]
fn analogs_too_large_for_sixteen_bits_are_cut_and_marked() {
    let write = |value| {
        let Some(Shape { layout, .. }) = shape(30, 2) else { panic!() };
        let mut out = vec![];
        let point = Point {
            kind: Kind::Analog,
            index: 0,
            event: false,
            value: Value::Analog(value),
            flags: Some(Flags::ONLINE),
            time: None,
        };
        encode(&point, layout, Timestamp::from_millis(0), &mut out);
        out
    };
    assert_eq!(write(32_768.0), hex("21 FF 7F"));
    assert_eq!(write(-32_769.0), hex("21 00 80"));
    assert_eq!(write(32_767.0), hex("01 FF 7F"));
}

/// Every variation of a point that holds data, with a value that it can hold exactly.
fn every_form() -> impl Strategy<Value = (u8, u8, u32, i16, bool)> {
    let forms: Vec<(u8, u8)> = (1..=111)
        .flat_map(|group| (1..=10).map(move |variation| (group, variation)))
        .filter(|(g, v)| {
            matches!(
                shape(*g, *v),
                Some(Shape { meaning: Meaning::Point { .. }, layout: Layout::Fields(_) | Layout::Octets(_) })
            )
        })
        .collect();
    (prop::sample::select(forms), any::<u32>(), any::<i16>(), any::<bool>())
        .prop_map(|((g, v), n, i, b)| (g, v, n, i, b))
}

proptest! {
    #[test]
    fn what_was_written_is_read((group, variation, n, i, b) in every_form(), index: u16, flag_bits in 0_u8..32, millis in 0_u64..1 << 47) {
        let Some(Shape { meaning: Meaning::Point { kind, event }, layout }) = shape(group, variation) else { panic!() };
        let octets = [7; 16];
        let narrow = matches!(layout, Layout::Fields(Fields { number: Number::U16, .. }));
        let value = match kind {
            Kind::Binary | Kind::BinaryOutput => Value::Binary(b),
            Kind::DoubleBit => Value::DoubleBit(DoubleBit::from_bits(n.to_le_bytes()[0])),
            Kind::Counter | Kind::FrozenCounter => Value::Counter(if narrow { n & 0xFFFF } else { n }),
            Kind::Analog | Kind::FrozenAnalog | Kind::AnalogOutput => Value::Analog(i.into()),
            Kind::Octets => Value::Octets(&octets[..variation.into()]),
        };
        let common = Timestamp::from_millis(millis);
        let time = |layout| match layout {
            Layout::Fields(Fields { time: EventTime::Absolute, .. }) => Some(Time { at: common, synchronised: None }),
            Layout::Fields(Fields { time: EventTime::Relative, .. }) => Some(Time { at: common.plus(9), synchronised: Some(true) }),
            _ => None,
        };
        let flags = match layout {
            Layout::Fields(Fields { flags: true, .. }) => Some(Flags(flag_bits)),
            _ => None,
        };
        let point = Point { kind, index, event, value, flags, time: time(layout) };
        let mut out = vec![];
        if event {
            write::prefixed(group, variation, 1, &mut out);
            out.extend_from_slice(&index.to_le_bytes());
        } else {
            write::range(group, variation, index, index, &mut out);
        }
        encode(&point, layout, common, &mut out);
        let blocks: Vec<Block<'_>> = Blocks::with_data(&out).map(|b| b.unwrap()).collect();
        prop_assert_eq!(blocks.len(), 1);
        let read: Vec<_> = Points::of(&blocks[0], Some(Time { at: common, synchronised: Some(true) })).collect();
        prop_assert_eq!(read.len(), 1);
        // the state of a binary is one of its flags
        let mut back = read[0];
        back.flags = back.flags.map(|f| Flags(f.0 & 0x1F));
        prop_assert_eq!(back, point);
    }
}
