//! Segments by hand. The vectors are those of the tests of the opendnp3 project (Apache-2.0), TestTransportLayer, read there.

use proptest::prelude::*;

use super::*;
use crate::link::tests::hex;

fn put_together(segments: &[&str]) -> (Vec<Vec<u8>>, Counters) {
    let mut reassembly = Reassembly::new(2048);
    let whole = segments.iter().filter_map(|s| reassembly.take(&hex(s)).map(<[u8]>::to_vec)).collect();
    (whole, reassembly.counters())
}

#[test]
fn fragments_come_together() {
    assert_eq!(put_together(&["C0 0A"]).0, [hex("0A")]);
    assert_eq!(put_together(&["40 0A 0B 0C", "81 0D 0E 0F"]).0, [hex("0A 0B 0C 0D 0E 0F")]);
    assert_eq!(put_together(&["40 0A", "81"]).0, [hex("0A")]);
    assert_eq!(put_together(&["7F 01", "00 02", "81 03"]).0, [hex("01 02 03")]);
}

#[test]
fn what_does_not_fit_is_given_up_and_counted() {
    let (whole, counters) = put_together(&["40 0A 0B 0C", "82 0D 0E 0F"]);
    assert_eq!((whole.len(), counters.broken), (0, 1));
    let (whole, counters) = put_together(&["81 0A"]);
    assert_eq!((whole.len(), counters.stray), (0, 1));
    let (whole, counters) = put_together(&["40 0A", "C5 0B"]);
    assert_eq!((whole, counters.broken), (vec![hex("0B")], 1));
    assert_eq!(put_together(&[""]).0.len(), 0);
}

#[test]
fn a_repeated_segment_is_taken_once() {
    assert_eq!(put_together(&["40 0A", "01 0B", "01 0B", "82 0C"]).0, [hex("0A 0B 0C")]);
    assert_eq!(put_together(&["40 0A", "01 0B", "01 0D", "82 0C"]).0.len(), 0);
}

#[test]
fn a_fragment_larger_than_the_bound_is_given_up() {
    let mut reassembly = Reassembly::new(5);
    assert_eq!(reassembly.take(&hex("40 01 02 03")), None);
    assert_eq!(reassembly.take(&hex("81 04 05 06")), None);
    assert_eq!(reassembly.counters().too_large, 1);
    assert_eq!(reassembly.take(&hex("C2 01 02 03 04 05")).map(<[u8]>::len), Some(5));
}

proptest! {
    #[test]
    fn every_header_is_itself_again(byte: u8) {
        prop_assert_eq!(Header::from_byte(byte).byte(), byte);
    }

    #[test]
    fn what_was_cut_comes_together(fragment in prop::collection::vec(any::<u8>(), 0..2048), start: u8) {
        let mut segments = Segments::of(&fragment, Sequence::new(start));
        let (mut reassembly, mut segment, mut whole) = (Reassembly::new(2048), vec![], None);
        let mut count = 0;
        while segments.next_into(&mut segment) {
            prop_assert!(whole.is_none());
            prop_assert!(segment.len() <= MAX_SEGMENT_DATA + 1);
            whole = reassembly.take(&segment).map(<[u8]>::to_vec);
            count += 1;
        }
        prop_assert_eq!(count, fragment.len().div_ceil(MAX_SEGMENT_DATA).max(1));
        prop_assert_eq!(whole, Some(fragment));
    }

    #[test]
    fn memory_stays_within_the_bound(segments in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..250), 0..60)) {
        let mut reassembly = Reassembly::new(600);
        for segment in &segments {
            if let Some(whole) = reassembly.take(segment) {
                prop_assert!(whole.len() <= 600);
            }
        }
    }
}
