//! The transport function: reassembly is held against a plain model of clause 8.2.2, segmentation against reassembly.

use dnp3::application::MAX_FRAGMENT;
use dnp3::link::MAX_USER_DATA;
use dnp3::transport::{Reassembly, Segments, Sequence};

use crate::memory::Meter;
use crate::script::Script;

/// What reassembly may keep: a vector that has doubled.
const MOST_HELD: usize = 2 * MAX_FRAGMENT;

/// Takes an input: the bound on fragments in one byte (none for the usual), then segments, each behind its length.
pub fn run(data: &[u8]) {
    let mut script = Script::new(data);
    let Some(bound) = script.byte() else { return };
    let limit = if bound == 0 { MAX_FRAGMENT } else { usize::from(bound) };
    round_trip(script.rest(), bound);

    let mut meter = Meter::default();
    let mut reassembly = Reassembly::new(limit);
    let mut model = Model::new(limit);
    let mut segments = 0_u64;
    while let Some(segment) = script.bytes() {
        let segment = &segment[..segment.len().min(MAX_USER_DATA)];
        segments += u64::from(!segment.is_empty());
        let expected = model.take(segment);
        let whole = meter.count(|| reassembly.take(segment));
        assert_eq!(whole, expected.as_deref());
        assert!(whole.is_none_or(|fragment| fragment.len() <= limit));
        meter.check(MOST_HELD);
    }
    let counters = reassembly.counters();
    for count in [counters.fragments, counters.broken, counters.stray, counters.too_large] {
        assert!(count <= segments, "nothing is counted more often than segments came");
    }
}

/// What was cut is put together again, whatever the number it begins with.
fn round_trip(fragment: &[u8], number: u8) {
    let fragment = &fragment[..fragment.len().min(MAX_FRAGMENT)];
    let mut reassembly = Reassembly::new(MAX_FRAGMENT);
    let mut segments = Segments::of(fragment, Sequence::new(number));
    let mut segment = vec![];
    let mut whole = None;
    while segments.next_into(&mut segment) {
        assert!(whole.is_none(), "it is whole with its last segment and not before");
        assert!(segment.len() <= MAX_USER_DATA);
        whole = reassembly.take(&segment).map(<[u8]>::to_vec);
    }
    assert_eq!(whole.as_deref(), Some(fragment));
}

/// The rules of clause 8.2.2, one after the other.
struct Model {
    limit: usize,
    segments: Vec<(u8, Vec<u8>)>,
}

impl Model {
    const fn new(limit: usize) -> Self {
        Self { limit, segments: vec![] }
    }

    fn take(&mut self, segment: &[u8]) -> Option<Vec<u8>> {
        let (&header, data) = segment.split_first()?;
        let (last, first, number) = (header & 0x80 != 0, header & 0x40 != 0, header & 0x3F);
        if first {
            self.segments.clear();
        } else {
            let (before, repeated) = self.segments.last()?;
            if *before == number && repeated == data {
                return None;
            }
            if (before + 1) % 64 != number {
                self.segments.clear();
                return None;
            }
        }
        self.segments.push((number, data.to_vec()));
        let length: usize = self.segments.iter().map(|(_, data)| data.len()).sum();
        if length > self.limit {
            self.segments.clear();
        }
        (last && length <= self.limit).then(|| self.segments.drain(..).flat_map(|(_, data)| data).collect())
    }
}
