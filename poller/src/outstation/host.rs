//! The master's host: turns what it tells into reports.

use std::sync::Arc;

use dnp3::link::Address;
use dnp3::master::{Arrived, Failure as Failed, Host, Note, Receipt as WhenToConfirm, Task, Token};
use dnp3::objects::Meaning;
use regulator::{Reading, Timestamp};
use tokio::sync::mpsc::UnboundedSender;

use super::control::Control;
use super::identity::identity;
use crate::endpoint::{
    Answered, Clock, DeviceEvent, DeviceNews, Failure, Outcome, Receipt, Report, ReportSender,
};
use crate::modbus::ErrorKind;

/// What of one endpoint the master's events go to.
pub(super) struct Desk {
    pub(super) endpoint_id: i32,
    pub(super) controls: Vec<Control>,
    pub(super) reports: ReportSender,
    pub(super) clock: Arc<Clock>,
    /// Brings word of what was stored back to the channel.
    pub(super) stored: UnboundedSender<(Token, bool)>,
    /// The endpoint turned the connection away before it was heard: that is told of the endpoint, and nothing of its controls.
    pub(super) turned_away: bool,
}

impl Desk {
    fn control(&mut self, outstation: Address) -> Option<&mut Control> {
        self.controls.iter_mut().find(|c| c.unit == outstation.number())
    }

    /// Sends readings; false if any of them was not taken.
    fn send(&self, readings: Vec<(i32, Reading)>) -> bool {
        let send = |(regulator_id, reading)| self.reports.send(Report::Reading { regulator_id, reading });
        // every one is sent, whatever became of those before
        readings.into_iter().map(send).fold(true, |all, taken| all & taken)
    }

    fn tell(&self, outstation: Address, what: DeviceNews) {
        let event = DeviceEvent { endpoint_id: self.endpoint_id, unit: outstation.number(), what };
        self.reports.send(Report::Event(event));
    }

    /// Reports that a poll of one control is over, or of the endpoint as a whole.
    pub(super) fn outcome(
        &self,
        unit: Option<u16>,
        result: Result<Answered, Failure>,
        pace: dnp3::master::Pace,
    ) {
        self.reports.send(Report::Outcome(Outcome {
            endpoint_id: self.endpoint_id,
            unit,
            at: self.clock.now(),
            result,
            lateness: pace.late,
            missed: pace.missed,
        }));
    }

    fn done(&mut self, outstation: Address, task: Task, answered: Answered, pace: dnp3::master::Pace) {
        if !task.is_poll() {
            return;
        }
        let now: Timestamp = self.clock.now();
        let Some(control) = self.control(outstation) else { return };
        let readings = control.polled(task, now);
        let unreadable = control.unreadable.take();
        self.send(readings);
        let result = match unreadable {
            None => Ok(answered),
            Some(text) => Err(Failure { kind: ErrorKind::Malformed, text }),
        };
        self.outcome(Some(outstation.number()), result, pace);
    }

    fn failed(&mut self, outstation: Address, task: Task, failure: &Failed, pace: dnp3::master::Pace) {
        let kind = match failure {
            Failed::Timeout { .. } => ErrorKind::Timeout,
            Failed::Endless { .. } => ErrorKind::Malformed,
            Failed::Refused { .. } => ErrorKind::Exception,
            Failed::Closed if self.turned_away => return,
            Failed::Closed => ErrorKind::Closed,
            // says something of the database, which has its own ways to tell
            Failed::NotStored => return,
        };
        // that a device has no clock, no attributes or nothing to report by itself is no fault of its polls
        if !task.is_poll() && kind == ErrorKind::Exception {
            return;
        }
        self.outcome(Some(outstation.number()), Err(Failure { kind, text: failure.to_string() }), pace);
    }
}

impl Host for Desk {
    fn arrived(&mut self, arrived: &Arrived<'_>) -> WhenToConfirm {
        let now = self.clock.now();
        if arrived.task == Some(Task::Attributes) {
            if let Some(identity) = identity(&arrived.fragment) {
                self.tell(arrived.outstation, DeviceNews::Identity(identity));
            }
            return WhenToConfirm::Now;
        }
        let Some(control) = self.control(arrived.outstation) else { return WhenToConfirm::Now };
        control.trust.needs_time = arrived.indications.any(dnp3::application::Indications::NEED_TIME);
        let readings = control.arrived(&arrived.fragment, now);
        let events = arrived
            .fragment
            .blocks()
            .map_while(Result::ok)
            .any(|block| matches!(block.shape.meaning, Meaning::Point { event: true, .. }));
        let taken = self.send(readings);
        let Some(token) = arrived.token.filter(|_| events) else { return WhenToConfirm::Now };
        let back = self.stored.clone();
        // the task that listens may have ended, with its connection: then nobody waits for a confirmation
        let tell = move |stored| {
            let _listens = back.send((token, stored)).is_ok();
        };
        if taken {
            self.reports.send(Report::Receipt(Receipt::new(tell)));
        } else {
            tell(false);
        }
        WhenToConfirm::WhenStored
    }

    fn note(&mut self, outstation: Address, note: Note) {
        match note {
            Note::Done { task, latency, pace } => self.done(outstation, task, Answered { latency }, pace),
            Note::Failed { task, failure, pace } => self.failed(outstation, task, &failure, pace),
            Note::Restarted => self.tell(outstation, DeviceNews::Restarted),
            Note::Overflowed => self.tell(outstation, DeviceNews::Overflowed),
            Note::ClockOffset { millis } => {
                if let Some(control) = self.control(outstation) {
                    control.trust.offset_ms = Some(millis);
                }
                self.tell(outstation, DeviceNews::ClockOffset { millis });
            }
            // its offset is measured again in its own time; until then the old one would mislead
            Note::ClockSet => {
                if let Some(control) = self.control(outstation) {
                    control.trust.offset_ms = None;
                }
            }
            Note::Unreadable(error) => {
                if let Some(control) = self.control(outstation) {
                    control.unreadable = Some(format!(
                        "the answer of outstation {outstation} could not be read to its end: {error}"
                    ));
                }
            }
            Note::UnsolicitedIgnored => {
                tracing::debug!(endpoint_id = self.endpoint_id, %outstation, "an unsolicited response was left unconfirmed");
            }
        }
    }
}
