//! Counts of the last 24 hours in pieces of a quarter of an hour.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::packed;
use crate::Timestamp;

const PIECE_S: i64 = 900;
const PIECES_AN_HOUR: i64 = 4;
const PIECES_A_DAY: i64 = 96;

/// How often something happened. An hour and a day are such to a quarter of an hour.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub(super) struct Recent {
    /// (piece since 1970, count), oldest first; pieces without any are left out.
    #[serde(with = "packed::minutes")]
    pieces: VecDeque<(i64, u64)>,
}

impl Recent {
    pub(super) fn is_empty(&self) -> bool {
        self.pieces.is_empty()
    }

    pub(super) fn add(&mut self, at: Timestamp, count: u64) {
        let piece = at.timestamp().div_euclid(PIECE_S);
        match self.pieces.back_mut() {
            Some((last, n)) if *last == piece => *n += count,
            _ => self.pieces.push_back((piece, count)),
        }
    }

    /// Forgets what is older than a day; counts of the last hour and of the last day.
    pub(super) fn counts(&mut self, now: Timestamp) -> (u64, u64) {
        let piece = now.timestamp().div_euclid(PIECE_S);
        while self.pieces.front().is_some_and(|(first, _)| *first <= piece - PIECES_A_DAY) {
            self.pieces.pop_front();
        }
        let since =
            |first: i64| self.pieces.iter().rev().take_while(move |(p, _)| *p > first).map(|(_, n)| n);
        (since(piece - PIECES_AN_HOUR).sum(), since(piece - PIECES_A_DAY).sum())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::story::at;

    #[test]
    fn an_hour_and_a_day_pass() {
        let mut recent = Recent::default();
        recent.add(at(0), 2);
        recent.add(at(600), 1);
        assert_eq!(recent.counts(at(1800)), (3, 3));
        assert_eq!(recent.counts(at(3600)), (0, 3));
        assert_eq!(recent.counts(at(86_400)), (0, 0));
        assert!(recent.is_empty());
    }
}
