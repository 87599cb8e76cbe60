//! Reports that nobody asked for: an empty one after a restart until it is confirmed, then events of the classes that
//! the master has given leave for.

use std::time::Duration;

use super::Session;
use super::outbox::{Outbox, UNSOLICITED};
use super::plan::fill_oldest;
use super::session::Awaiting;
use super::writer::Writer;
use crate::Now;
use crate::application::{Control, Sequence};
use crate::objects::Classes;

#[derive(Debug, Default)]
pub(super) struct Reporting {
    pub(super) enabled: Classes,
    /// Whether the empty report after the restart has been confirmed.
    introduced: bool,
    /// Of the next report.
    sequence: Sequence,
    /// Since when events wait to be reported.
    since: Option<Duration>,
    /// After reports that nobody confirmed: not before.
    not_before: Duration,
    /// The report that awaits its confirmation, to be sent again as it was.
    fragment: Vec<u8>,
}

impl Reporting {
    pub(super) const fn confirmed(&mut self, null: bool) {
        self.introduced |= null;
        self.not_before = Duration::ZERO;
    }
}

impl Session {
    /// Sends a report if one is due. Nothing awaits confirmation.
    pub(super) fn report(&mut self, now: Now, out: &mut Outbox) {
        if self.config.unsolicited.is_none() {
            return;
        }
        if self.database.events.unsent(self.reporting.enabled) == 0 {
            self.reporting.since = None;
        } else {
            self.reporting.since.get_or_insert(now.monotonic);
        }
        if self.report_due().is_some_and(|at| at <= now.monotonic) {
            self.send_report(now, out);
        }
    }

    /// When the next report is due, as far as is known now.
    pub(super) fn report_due(&self) -> Option<Duration> {
        let config = self.config.unsolicited.as_ref()?;
        let reporting = &self.reporting;
        if !reporting.introduced {
            return Some(reporting.not_before);
        }
        let held_until = match self.database.events.unsent(reporting.enabled) {
            0 => return None,
            many if many >= config.hold_count => Duration::ZERO,
            _ => reporting.since.map_or(Duration::ZERO, |since| since + config.hold),
        };
        Some(held_until.max(reporting.not_before))
    }

    fn send_report(&mut self, now: Now, out: &mut Outbox) {
        let Some(config) = self.config.unsolicited else { return };
        let null = !self.reporting.introduced;
        let begin = out.bytes.len();
        out.open();
        if !null {
            let mut writer = Writer::new(&mut out.bytes, begin + self.max_fragment());
            fill_oldest(&mut self.database, self.reporting.enabled, &mut writer);
        }
        if self.database.events.unsent(self.reporting.enabled) == 0 {
            self.reporting.since = None;
        }
        let sequence = self.reporting.sequence;
        self.reporting.sequence = sequence.next();
        let control = Control { confirm: true, unsolicited: true, ..Control::single(sequence) };
        let fragment = out.close(control, UNSOLICITED, self.indications(), self.config.master);
        self.reporting.fragment.clear();
        self.reporting.fragment.extend_from_slice(fragment);
        let until = now.monotonic + config.confirm_timeout;
        let told_broadcast = self.told_broadcast();
        self.awaiting =
            Awaiting::Unsolicited { sequence, until, again: 0, null, stopped: false, told_broadcast };
    }

    /// Nobody has confirmed the report in time: the READ that waited for that is answered, or the same is sent again, or it is given up for
    /// a while.
    pub(super) fn report_again(&mut self, now: Now, out: &mut Outbox) {
        let (Some(config), Awaiting::Unsolicited { until, again, null, stopped, .. }) =
            (self.config.unsolicited, &mut self.awaiting)
        else {
            return;
        };
        if self.deferred.is_some() {
            self.give_up();
            self.answer_deferred(now, out);
        } else if *null || *again < config.retries && !*stopped {
            *again = again.saturating_add(1);
            *until = now.monotonic + config.confirm_timeout;
            out.post(&self.reporting.fragment, self.config.master);
        } else {
            self.give_up();
            self.reporting.not_before = now.monotonic + config.pause;
        }
    }

    /// The master has taken back its leave: a report of events that is under way may still be confirmed, but it is not sent again, and no READ
    /// waits for it.
    pub(super) const fn stop_reporting(&mut self) {
        if let Awaiting::Unsolicited { null: false, stopped, .. } = &mut self.awaiting {
            *stopped = true;
        }
    }
}
