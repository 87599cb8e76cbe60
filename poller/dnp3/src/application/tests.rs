//! Fragments by hand. Unless marked otherwise the vectors are those of the tests of the opendnp3 project (Apache-2.0), read
//! there (TestAPDUParsing, TestMaster, TestOutstation); "by hand" ones follow from the clauses.

use proptest::prelude::*;

use super::*;
use crate::link::tests::hex;
use crate::objects::{Kind, Meaning, Points};

fn blocks(objects: &str) -> Result<usize, ObjectError> {
    let bytes = hex(objects);
    let blocks: Result<Vec<_>, _> = Blocks::with_data(&bytes).collect();
    blocks.map(|b| b.len())
}

#[test]
fn a_request_is_taken_apart() {
    let bytes = hex("C3 01 3C 02 06 3C 03 06 3C 04 06 3C 01 06");
    let fragment = Fragment::parse(&bytes).unwrap();
    assert_eq!(fragment.function, Function::Read);
    assert_eq!(fragment.control, Control::single(Sequence::new(3)));
    assert_eq!(fragment.indications, None);
    let variations: Vec<u8> = fragment.blocks().map(|b| b.unwrap().variation).collect();
    assert_eq!(variations, [2, 3, 4, 1]);
}

#[test]
fn a_response_is_taken_apart() {
    let bytes = hex("E0 81 80 00 02 01 28 01 00 00 00 81");
    let fragment = Fragment::parse(&bytes).unwrap();
    assert_eq!(fragment.function, Function::Response);
    assert!(fragment.control.confirm);
    assert!(!fragment.control.unsolicited);
    assert_eq!(fragment.indications, Some(Indications::DEVICE_RESTART));
    assert_eq!(fragment.blocks().count(), 1);
}

#[test]
fn indications_are_told_in_words() {
    let words = |bytes| Indications::from_bytes(bytes).to_string();
    assert_eq!(words([0x80, 0x00]), "restarted");
    assert_eq!(words([0x80, 0x01]), "restarted, function not supported");
    assert_eq!(words([0x80, 0x02]), "restarted, object unknown");
    assert_eq!(words([0x80, 0x04]), "restarted, parameter error");
    assert_eq!(words([0x82, 0x08]), "class 1 events, restarted, event buffer overflow");
    assert_eq!(words([0, 0]), "none");
}

#[test]
fn fragments_too_short_for_their_header_are_refused() {
    for short in ["", "C0", "C0 81", "C0 81 00", "F0 82 00"] {
        let bytes = hex(short);
        assert_eq!(Fragment::parse(&bytes), Err(FragmentError::TooShort(bytes.len())), "{short}");
    }
}

#[test]
fn what_makes_no_sense_is_refused_by_name() {
    use ObjectError::*;
    for (objects, error) in [
        ("01 02 00 05 03", ImpossibleRange { group: 1, variation: 2, start: 5, stop: 3 }),
        ("01 02 07 00", CountOfZero { group: 1, variation: 2 }),
        ("01 02 00 01 04 FF FF FF", DataCut { group: 1, variation: 2, count: 4 }),
        ("02 02 AB", UnknownQualifier { group: 2, variation: 2, qualifier: 0xAB }),
        ("01 02 17 01 09 81", QualifierMisplaced { group: 1, variation: 2, qualifier: 0x17 }),
        // from here on by hand
        ("01", HeaderCut),
        ("01 02 00 05", HeaderCut),
        ("01 02 06", QualifierMisplaced { group: 1, variation: 2, qualifier: 6 }),
        ("3C 02 06", QualifierMisplaced { group: 60, variation: 2, qualifier: 6 }),
        ("FE 01 00 00 00 00", UnknownObject { group: 254, variation: 1 }),
        ("1E 09 00 00 00 00", UnknownObject { group: 30, variation: 9 }),
        ("20 01 28 FF FF 00", DataCut { group: 32, variation: 1, count: 65_535 }),
        (
            "1E 01 02 00 00 01 00 00 00 01 00",
            ImpossibleRange { group: 30, variation: 1, start: 65_536, stop: 65_536 },
        ),
        ("1E 01 01 00 00 FF FF 00", DataCut { group: 30, variation: 1, count: 65_536 }),
        ("00 FC 00 00 00 01 05 41", DataCut { group: 0, variation: 252, count: 1 }),
        ("FE 01 5B 01 05 00 41", DataCut { group: 254, variation: 1, count: 1 }),
    ] {
        assert_eq!(blocks(objects), Err(error), "{objects}");
    }
}

#[test]
fn what_came_before_an_unknown_object_is_kept() {
    let bytes = hex("1E 02 00 05 05 01 2A 00 FE 07 00 00 00 01 02");
    let mut blocks = Blocks::with_data(&bytes);
    assert_eq!(blocks.next().unwrap().unwrap().group, 30);
    assert_eq!(blocks.next(), Some(Err(ObjectError::UnknownObject { group: 254, variation: 7 })));
    assert_eq!(blocks.next(), None);
}

#[test]
fn objects_that_say_their_own_length_are_stepped_over() {
    let bytes = hex("FE 07 5B 02 01 00 AA 02 00 BB CC 1E 02 00 05 05 01 2A 00");
    let groups: Vec<(u8, u32)> =
        Blocks::with_data(&bytes).map(|b| b.unwrap()).map(|b| (b.group, b.count)).collect();
    assert_eq!(groups, [(254, 2), (30, 1)]);
}

#[test]
fn headers_are_written_as_they_are_read() {
    let mut out = vec![];
    write::all(60, 2, &mut out);
    write::range(1, 2, 3, 9, &mut out);
    write::range(30, 1, 3, 300, &mut out);
    write::count(32, 0, 7, &mut out);
    assert_eq!(out, hex("3C 02 06 01 02 00 03 09 1E 01 01 03 00 2C 01 20 00 07 07"));
    let extents: Vec<_> = Blocks::headers(&out).map(|b| b.unwrap().extent).collect();
    assert_eq!(
        extents,
        [
            Extent::All,
            Extent::Range { start: 3, stop: 9 },
            Extent::Range { start: 3, stop: 300 },
            Extent::Count(7)
        ]
    );
}

proptest! {
    #[test]
    fn every_control_byte_is_itself_again(byte: u8) {
        prop_assert_eq!(Control::from_byte(byte).byte(), byte);
    }

    /// Nothing in a fragment makes more values than its bytes can hold: eight to a byte.
    #[test]
    fn any_bytes_are_taken_apart_without_excess(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        if let Ok(fragment) = Fragment::parse(&bytes) {
            let mut values = 0;
            for block in fragment.blocks().map_while(Result::ok) {
                values += Points::of(&block, None).count() + block.attributes().count();
                let is_point = matches!(block.shape.meaning, Meaning::Point { kind, .. } if kind != Kind::Octets);
                if is_point && fragment.function != Function::Read {
                    prop_assert!(!block.data.is_empty() || block.count == 0 || fragment.indications.is_none());
                }
            }
            prop_assert!(values <= 8 * bytes.len() + usize::from(u16::MAX));
        }
    }
}
