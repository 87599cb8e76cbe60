//! How a READ is answered: fragment by fragment, each after the confirmation of the one before.

use super::Session;
use super::outbox::{Outbox, RESPONSE};
use super::session::{Awaiting, Broadcast};
use super::writer::Writer;
use crate::Now;
use crate::application::{Control, Fragment, MAX_FRAGMENT, Sequence};
use crate::link::Address;

impl Session {
    /// Begins the answer to a READ. An answer that is under way is given up, its events kept.
    pub(super) fn read(&mut self, request: &Fragment<'_>, from: Address, now: Now, out: &mut Outbox) {
        self.give_up();
        self.last.request.clear();
        self.refused = self.plan.begin(request.objects, &self.database);
        self.send_answer(from, request.control.sequence, true, now, out);
    }

    /// Sends the next fragment of the answer that is under way.
    pub(super) fn send_answer(
        &mut self,
        to: Address,
        sequence: Sequence,
        first: bool,
        now: Now,
        out: &mut Outbox,
    ) {
        let clock = self.clock(now);
        let begin = out.bytes.len();
        out.open();
        let mut writer = Writer::new(&mut out.bytes, begin + self.max_fragment());
        let events = self.plan.fill(&mut self.database, clock, &mut writer);
        let last = self.plan.is_done();
        let confirm = events || !last || self.broadcast == Some(Broadcast::UntilConfirmed);
        let control = Control { first, last, confirm, unsolicited: false, sequence };
        out.close(control, RESPONSE, self.indications().with(self.refused), to);
        let told_broadcast = self.told_broadcast();
        if confirm {
            let until = now.monotonic + self.config.confirm_timeout;
            self.awaiting = Awaiting::Solicited { from: to, sequence, until, told_broadcast };
        }
    }

    /// Answers the READ that had to wait.
    pub(super) fn answer_deferred(&mut self, now: Now, out: &mut Outbox) {
        let Some((from, bytes)) = self.deferred.take() else { return };
        if let Ok(request) = Fragment::parse(&bytes) {
            self.read(&request, from, now, out);
        }
    }

    /// A response has been written: if it told of a broadcast, and once is enough, that is done.
    pub(super) fn told_broadcast(&mut self) -> bool {
        let told = self.broadcast.is_some();
        self.broadcast = self.broadcast.filter(|broadcast| *broadcast == Broadcast::UntilConfirmed);
        told
    }

    pub(super) fn max_fragment(&self) -> usize {
        self.config.max_fragment.min(MAX_FRAGMENT)
    }
}
