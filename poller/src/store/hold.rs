//! Readings that wait to be written, oldest first, up to a bound.
//!
//! They wait in memory. A durable spool would take the place of this: pages are what it would write to disk and read back.

use std::collections::VecDeque;

use chrono::{DateTime, Utc};
use regulator::Reading;

use crate::endpoint::Receipt;

/// Most readings of one batch.
pub(super) const PAGE: usize = 10_000;

/// Readings that are written together.
#[derive(Debug)]
pub(super) struct Page {
    pub(super) readings: Vec<(i32, Reading)>,
    /// Of the readings in it.
    pub(super) oldest: DateTime<Utc>,
    /// Owed once it is stored, and every page before it.
    pub(super) receipts: Vec<Receipt>,
}

impl Page {
    pub(super) const fn empty(oldest: DateTime<Utc>) -> Self {
        Self { readings: Vec::new(), oldest, receipts: Vec::new() }
    }
}

/// The readings that wait.
#[derive(Debug)]
pub(super) struct Hold {
    pages: VecDeque<Page>,
    page_size: usize,
    limit: usize,
    waiting: usize,
    given_up: u64,
}

impl Hold {
    /// Holds at most `limit` readings.
    pub(super) fn new(limit: usize) -> Self {
        let page_size = (limit / 10).clamp(1, PAGE);
        Self { pages: VecDeque::new(), page_size, limit, waiting: 0, given_up: 0 }
    }

    /// Adds a reading; beyond the bound the oldest page is given up.
    pub(super) fn push(&mut self, regulator_id: i32, reading: Reading) {
        let at = reading.measured_at;
        match self.pages.back_mut().filter(|page| page.readings.len() < self.page_size) {
            Some(page) => {
                page.oldest = page.oldest.min(at);
                page.readings.push((regulator_id, reading));
            }
            None => {
                self.pages.push_back(Page { readings: vec![(regulator_id, reading)], ..Page::empty(at) });
            }
        }
        self.waiting += 1;
        if self.waiting > self.limit
            && let Some(page) = self.pages.pop_front()
        {
            self.waiting -= page.readings.len();
            self.given_up += page.readings.len() as u64;
            drop(page);
            // What the next page's receipts are for may have begun in the one given up: dropped, they say that it is lost.
            if let Some(next) = self.pages.front_mut() {
                next.receipts.clear();
            }
        }
    }

    /// Owes a receipt for everything held so far; hands it back when nothing is.
    pub(super) fn owe(&mut self, receipt: Receipt) -> Option<Receipt> {
        match self.pages.back_mut() {
            Some(page) => {
                page.receipts.push(receipt);
                None
            }
            None => Some(receipt),
        }
    }

    /// Takes the oldest page.
    pub(super) fn take(&mut self) -> Option<Page> {
        let page = self.pages.pop_front()?;
        self.waiting -= page.readings.len();
        Some(page)
    }

    /// The oldest instant of a reading that waits.
    pub(super) fn oldest(&self) -> Option<DateTime<Utc>> {
        self.pages.iter().map(|page| page.oldest).min()
    }

    pub(super) const fn waiting(&self) -> usize {
        self.waiting
    }

    pub(super) const fn page_is_full(&self) -> bool {
        self.waiting >= self.page_size
    }

    /// Readings given up so far.
    pub(super) const fn given_up(&self) -> u64 {
        self.given_up
    }
}

#[cfg(test)]
mod tests {
    use chrono::TimeDelta;

    use super::*;

    #[test]
    fn a_receipt_for_what_was_given_up_says_that_it_is_lost() {
        let told = std::sync::Arc::new(std::sync::Mutex::new(vec![]));
        let receipt = |n: i32| {
            let told = told.clone();
            Receipt::new(move |stored| told.lock().unwrap().push((n, stored)))
        };
        // pages of 10
        let mut hold = Hold::new(100);
        assert!(hold.owe(receipt(0)).is_some_and(|r| {
            r.stored();
            true
        }));
        for s in 0..100 {
            hold.push(1, Reading::new(DateTime::UNIX_EPOCH + TimeDelta::seconds(s)));
            // for what is in the first page, for what reaches from the first into the second, and for what is in the third
            if [5, 12, 25].contains(&s) {
                assert!(hold.owe(receipt(i32::try_from(s).unwrap())).is_none());
            }
        }
        hold.push(1, Reading::new(DateTime::UNIX_EPOCH + TimeDelta::seconds(100)));
        assert_eq!(*told.lock().unwrap(), [(0, true), (5, false), (12, false)]);
        let mut pages = std::iter::from_fn(|| hold.take());
        assert_eq!(pages.nth(1).unwrap().receipts.len(), 1);
    }

    #[test]
    fn beyond_the_bound_the_oldest_go_and_are_counted() {
        let at = |s| DateTime::UNIX_EPOCH + TimeDelta::seconds(s);
        let mut hold = Hold::new(100);
        for s in 0..250 {
            hold.push(1, Reading::new(at(s)));
        }
        assert!(hold.waiting() <= 100);
        assert_eq!(hold.waiting() as u64 + hold.given_up(), 250);
        assert_eq!(hold.oldest(), Some(at(250 - i64::try_from(hold.waiting()).unwrap())));
        let mut taken = 0;
        while let Some(page) = hold.take() {
            taken += page.readings.len();
        }
        assert_eq!((hold.waiting(), hold.oldest()), (0, None));
        assert_eq!(taken as u64 + hold.given_up(), 250);
    }
}
