//! Every request but READ: clocks, the restart indication, leave to report. Nothing here operates anything.

use std::time::Duration;

use super::Session;
use super::outbox::{Outbox, RESPONSE};
use super::plan::refusal;
use super::session::{Awaiting, Broadcast};
use crate::Now;
use crate::application::{Block, Control, Extent, Fragment, Function, Indications, write};
use crate::link::Address;
use crate::objects::{Class, Classes, Meaning, Timestamp, read_time};

/// Functions that ask for no answer, whatever they ask (table 4-2): direct operate and three ways to freeze.
const WITHOUT_ANSWER: [u8; 4] = [6, 8, 10, 12];
/// Which of the internal indications can be written (clause 11.9.8): the one for restart, to clear it.
const RESTART_INDEX: u16 = 7;

impl Session {
    /// Obeys a request and answers it. A repetition of the one before is answered as that was.
    pub(super) fn command(
        &mut self,
        bytes: &[u8],
        request: &Fragment<'_>,
        from: Address,
        now: Now,
        out: &mut Outbox,
    ) {
        if bytes == self.last.request {
            out.post(&self.last.response, from);
            return;
        }
        if matches!(request.function, Function::Other(code) if WITHOUT_ANSWER.contains(&code)) {
            return;
        }
        if matches!(self.awaiting, Awaiting::Solicited { .. }) {
            self.give_up();
        }
        out.open();
        let refused = self.obey(request, now);
        if request.function == Function::DelayMeasurement && refused == Indications::NONE {
            // the time that it took to answer, milliseconds: none
            write::count(52, 2, 1, &mut out.bytes);
            out.bytes.extend_from_slice(&[0, 0]);
        }
        // while a report awaits its confirmation there is no room for a second
        let confirm = self.broadcast == Some(Broadcast::UntilConfirmed) && self.awaiting == Awaiting::Nothing;
        let sequence = request.control.sequence;
        let control = Control { confirm, ..Control::single(sequence) };
        let response = out.close(control, RESPONSE, self.indications().with(refused), from);
        self.last.request.clear();
        self.last.request.extend_from_slice(bytes);
        self.last.response.clear();
        self.last.response.extend_from_slice(response);
        let told_broadcast = self.told_broadcast();
        if confirm {
            let until = now.monotonic + self.config.confirm_timeout;
            self.awaiting = Awaiting::Solicited { from, sequence, until, told_broadcast };
        }
    }

    /// Does what a request asks, wholly or not at all. Returns why not.
    pub(super) fn obey(&mut self, request: &Fragment<'_>, now: Now) -> Indications {
        let recorded = self.recorded.take();
        let no_objects =
            if request.objects.is_empty() { Indications::NONE } else { Indications::PARAMETER_ERROR };
        match request.function {
            Function::Write => self.write(request, recorded.map(|(number, at)| (number.number(), at)), now),
            Function::EnableUnsolicited | Function::DisableUnsolicited
                if self.config.unsolicited.is_some() =>
            {
                self.permit(request)
            }
            Function::DelayMeasurement => no_objects,
            Function::RecordCurrentTime => {
                if request.objects.is_empty() {
                    self.recorded = Some((request.control.sequence.next(), now.monotonic));
                }
                no_objects
            }
            _ => Indications::NO_FUNCTION,
        }
    }

    fn write(&mut self, request: &Fragment<'_>, recorded: Option<(u8, Duration)>, now: Now) -> Indications {
        // it must follow at once, by its number (clause 10.3.3.2)
        let recorded =
            recorded.filter(|(number, _)| *number == request.control.sequence.number()).map(|(_, at)| at);
        let (mut time, mut clears_restart) = (None, false);
        for block in request.blocks() {
            match block.map(|block| written(&block)) {
                Ok(Some(Written::Time(at))) => time = Some(at),
                Ok(Some(Written::RecordedTime(at))) if recorded.is_some() => {
                    let since = now.monotonic.saturating_sub(recorded.unwrap_or_default());
                    time = Some(at.plus(u64::try_from(since.as_millis()).unwrap_or(0)));
                }
                Ok(Some(Written::ClearsRestart)) => clears_restart = true,
                Ok(_) => return Indications::PARAMETER_ERROR,
                Err(error) => return refusal(error),
            }
        }
        if let Some(time) = time {
            self.clock_offset_ms = time.millis().cast_signed() - now.wall.millis().cast_signed();
            self.needs_time = false;
        }
        self.restarted &= !clears_restart;
        Indications::NONE
    }

    /// Gives or takes leave to report events of some classes.
    fn permit(&mut self, request: &Fragment<'_>) -> Indications {
        let mut classes = Classes::default();
        for block in request.blocks() {
            match block.map(|block| (block.shape.meaning, block.extent)) {
                Ok((Meaning::Class(class), Extent::All)) if class != Class::Zero => {
                    classes = classes.with(Classes::of(&[class]));
                }
                Ok(_) => return Indications::PARAMETER_ERROR,
                Err(error) => return refusal(error),
            }
        }
        if request.function == Function::EnableUnsolicited {
            self.reporting.enabled = self.reporting.enabled.with(classes);
        } else {
            self.reporting.enabled = self.reporting.enabled.without(classes);
            self.stop_reporting();
        }
        Indications::NONE
    }
}

/// What may be written.
enum Written {
    Time(Timestamp),
    RecordedTime(Timestamp),
    ClearsRestart,
}

fn written(block: &Block<'_>) -> Option<Written> {
    match (block.shape.meaning, block.extent) {
        (Meaning::Time, Extent::Count(1)) => read_time(block).map(Written::Time),
        (Meaning::LastRecordedTime, Extent::Count(1)) => read_time(block).map(Written::RecordedTime),
        (Meaning::Indications, Extent::Range { start: RESTART_INDEX, stop: RESTART_INDEX })
            if block.data.first().is_some_and(|bits| bits & 1 == 0) =>
        {
            Some(Written::ClearsRestart)
        }
        _ => None,
    }
}
