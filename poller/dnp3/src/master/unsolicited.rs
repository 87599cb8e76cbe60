//! Unsolicited responses of one outstation: what is new, what is a repetition, what is owed.

use std::hash::{DefaultHasher, Hash, Hasher};

use super::Token;
use crate::application::Sequence;

/// What to do with an unsolicited response.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Verdict {
    /// New: take its data.
    New,
    /// A repetition of one that is confirmed already: confirm it again.
    Again,
    /// A repetition of one that is being stored, or a new one while another still is: leave it.
    Wait,
}

#[derive(Debug, Clone, Copy)]
struct Last {
    sequence: Sequence,
    digest: u64,
    /// While it is being stored.
    owed: Option<Token>,
}

#[derive(Debug, Default)]
pub(super) struct Unsolicited {
    last: Option<Last>,
}

impl Unsolicited {
    /// A new connection: numbers may begin anew, and nobody waits for what was owed.
    pub(super) fn reset(&mut self) {
        self.last = None;
    }

    pub(super) fn judge(&self, sequence: Sequence, objects: &[u8]) -> Verdict {
        match self.last {
            Some(last) if (last.sequence, last.digest) == (sequence, digest(objects)) => match last.owed {
                Some(_) => Verdict::Wait,
                None => Verdict::Again,
            },
            Some(Last { owed: Some(_), .. }) => Verdict::Wait,
            _ => Verdict::New,
        }
    }

    /// One was taken; `owed` until it is stored.
    pub(super) fn took(&mut self, sequence: Sequence, objects: &[u8], owed: Option<Token>) {
        self.last = Some(Last { sequence, digest: digest(objects), owed });
    }

    /// Something was stored; returns the number to confirm if it was the last one.
    pub(super) fn stored(&mut self, token: Token) -> Option<Sequence> {
        let last = self.last.as_mut().filter(|last| last.owed == Some(token))?;
        last.owed = None;
        Some(last.sequence)
    }

    /// The last one could not be stored: if it comes again, it is new.
    pub(super) fn lost(&mut self, token: Token) {
        if self.last.is_some_and(|last| last.owed == Some(token)) {
            self.last = None;
        }
    }
}

fn digest(objects: &[u8]) -> u64 {
    let mut hasher = DefaultHasher::new();
    objects.hash(&mut hasher);
    hasher.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn repetitions_are_told_from_news() {
        let (one, two) = (Sequence::new(1), Sequence::new(2));
        let mut u = Unsolicited::default();
        assert_eq!(u.judge(one, b"a"), Verdict::New);
        u.took(one, b"a", Some(Token(7)));
        assert_eq!(u.judge(one, b"a"), Verdict::Wait);
        assert_eq!(u.judge(two, b"b"), Verdict::Wait);
        assert_eq!(u.stored(Token(6)), None);
        assert_eq!(u.stored(Token(7)), Some(one));
        assert_eq!(u.judge(one, b"a"), Verdict::Again);
        // a device that restarted begins with the same number, and other data
        assert_eq!(u.judge(one, b"c"), Verdict::New);
        assert_eq!(u.judge(two, b"a"), Verdict::New);
        u.reset();
        assert_eq!(u.judge(one, b"a"), Verdict::New);
    }

    #[test]
    fn what_could_not_be_stored_is_new_when_it_comes_again() {
        let mut u = Unsolicited::default();
        u.took(Sequence::new(1), b"a", Some(Token(7)));
        u.lost(Token(7));
        assert_eq!(u.judge(Sequence::new(1), b"a"), Verdict::New);
    }
}
