//! Segments put together into fragments (clause 8.2.2, reception).

use super::{Header, Sequence};

/// How often what was seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counters {
    /// Whole fragments.
    pub fragments: u64,
    /// Fragments given up: a segment was missing, or another fragment began before the end.
    pub broken: u64,
    /// Segments that belong to no fragment.
    pub stray: u64,
    /// Fragments given up because they are larger than the bound.
    pub too_large: u64,
}

/// Puts the segments of one sender together, up to a bound.
#[derive(Debug)]
pub struct Reassembly {
    fragment: Vec<u8>,
    limit: usize,
    /// The number of the last segment, and where its data begins; none while no fragment is under way.
    last: Option<(Sequence, usize)>,
    counters: Counters,
}

impl Reassembly {
    /// For fragments of at most `limit` bytes.
    #[must_use]
    pub const fn new(limit: usize) -> Self {
        Self {
            fragment: Vec::new(),
            limit,
            last: None,
            counters: Counters { fragments: 0, broken: 0, stray: 0, too_large: 0 },
        }
    }

    /// Forgets what is under way, at the start of a new connection.
    pub fn reset(&mut self) {
        self.last = None;
        self.fragment.clear();
    }

    /// What was seen so far.
    #[must_use]
    pub const fn counters(&self) -> Counters {
        self.counters
    }

    /// Takes a segment, header included; returns the fragment that it completes.
    pub fn take(&mut self, segment: &[u8]) -> Option<&[u8]> {
        let (&byte, data) = segment.split_first()?;
        let header = Header::from_byte(byte);
        if !self.fits(header, data) {
            return None;
        }
        if self.fragment.len() + data.len() > self.limit {
            self.counters.too_large += 1;
            self.reset();
            return None;
        }
        let begin = self.fragment.len();
        self.fragment.extend_from_slice(data);
        if header.last {
            self.last = None;
            self.counters.fragments += 1;
            Some(&self.fragment)
        } else {
            self.last = Some((header.sequence, begin));
            None
        }
    }

    /// Whether the segment is the next of a fragment; what is broken by it is given up.
    fn fits(&mut self, header: Header, data: &[u8]) -> bool {
        match self.last {
            _ if header.first => {
                self.counters.broken += u64::from(self.last.is_some());
                self.reset();
                true
            }
            None => {
                self.counters.stray += 1;
                false
            }
            Some((last, _)) if header.sequence == last.next() => true,
            // repeated by the link: has its data already
            Some((last, begin)) if header.sequence == last && self.fragment.get(begin..) == Some(data) => {
                false
            }
            Some(_) => {
                self.counters.broken += 1;
                self.reset();
                false
            }
        }
    }
}
