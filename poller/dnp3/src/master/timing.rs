//! What time brings: answers that do not come, what is due, and when to look again.

use std::time::Duration;

use super::schedule::Due;
use super::{Channel, Failure, Host, Now};

/// Silent outstations together may use one part in this many of the channel's time.
const SILENT_SHARE: u32 = 4;
/// Requests without an answer, in a row and of every outstation, after which the connection itself is doubted.
const DOUBTED_AFTER: u32 = 2;

impl Channel {
    /// Does what time has brought. Call it whenever [`Channel::next_deadline`] has come, and after anything else.
    pub fn tick(&mut self, now: Now, host: &mut impl Host) {
        if !self.connected {
            return;
        }
        self.give_up_storing(now, host);
        self.give_up_waiting(now, host);
        self.keep_alive(now);
        if self.flight.is_none() && self.closing.is_none() {
            let next = self.next_due(now.monotonic).filter(|(_, due)| due.at <= now.monotonic);
            if let Some((index, due)) = next {
                self.begin(index, due, now);
            }
        }
    }

    /// When to look again at the latest.
    #[must_use]
    pub fn next_deadline(&self, now: Duration) -> Option<Duration> {
        if !self.connected {
            return None;
        }
        let flight = self.flight.as_ref().map(|flight| flight.deadline.min(flight.end));
        let due = if flight.is_some() { None } else { self.next_due(now).map(|(_, due)| due.at) };
        let owed = self.associations.iter().filter_map(|a| a.owed.map(|owed| owed.expires));
        let links = self.associations.iter().filter_map(|a| a.link_deadline(&self.config));
        flight.into_iter().chain(due).chain(owed).chain(links).min()
    }

    /// Whose turn it is next, for what and when: those that answer first, then silent ones.
    fn next_due(&self, now: Duration) -> Option<(usize, Due)> {
        let all = self.associations.iter().enumerate().filter(|(_, a)| a.owed.is_none());
        let dues = all.filter_map(|(index, association)| {
            let due = association.schedule.first(association.is_storing(now))?;
            let silent = association.is_silent();
            let earliest =
                if silent { association.not_before.max(self.silent_after) } else { Duration::ZERO };
            let at = due.at.max(earliest);
            Some((at > now, silent, at, association.heard_at, index, Due { at, ..due }))
        });
        dues.min_by_key(|(later, silent, at, heard, index, _)| {
            (*later, *silent && !*later, *at, *heard, *index)
        })
        .map(|(.., index, due)| (index, due))
    }

    fn give_up_storing(&mut self, now: Now, host: &mut impl Host) {
        for index in 0..self.associations.len() {
            let association = &mut self.associations[index];
            let Some(owed) = association.owed.take_if(|owed| owed.expires <= now.monotonic) else { continue };
            association.storing = false;
            if owed.more && self.flight.as_ref().is_some_and(|flight| flight.association == index) {
                self.fail(Failure::NotStored, host);
            }
        }
    }

    fn give_up_waiting(&mut self, now: Now, host: &mut impl Host) {
        let expired = |flight: &&super::flight::Flight| flight.deadline.min(flight.end) <= now.monotonic;
        let Some(flight) = self.flight.as_ref().filter(expired) else { return };
        let took = now.monotonic.saturating_sub(flight.sent_at);
        let association = &mut self.associations[flight.association];
        let failure = flight.expired(association.outstation(), now.monotonic);
        association.silent(now.monotonic);
        self.silent_after = now.monotonic + took * (SILENT_SHARE - 1);
        self.fail(failure, host);
        self.doubt();
    }

    fn keep_alive(&mut self, now: Now) {
        for index in 0..self.associations.len() {
            let association = &mut self.associations[index];
            if association.link_deadline(&self.config).is_none_or(|at| at > now.monotonic) {
                continue;
            }
            if association.asked_status.take().is_some() {
                association.silent(now.monotonic);
                association.heard_at = now.monotonic;
                self.doubt();
            } else {
                association.asked_status = Some(now.monotonic + self.config.response_timeout);
                self.ask_link_status(index);
            }
        }
    }

    /// If nobody behind the connection answers, it may be the connection.
    fn doubt(&mut self) {
        if self.associations.iter().all(|a| a.silences >= DOUBTED_AFTER) && self.closing.is_none() {
            self.closing = Some("nobody behind it answers".to_owned());
        }
    }
}
