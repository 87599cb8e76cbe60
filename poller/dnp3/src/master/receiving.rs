//! What comes in.

use std::mem;

use super::budget::BYTES_A_FRAME;
use super::flight::{Flight, Owed};
use super::unsolicited::Verdict;
use super::{Arrived, Channel, Failure, Host, Note, Now, Receipt, Request, Task};
use crate::application::{Fragment, Function as Application, Indications};
use crate::link::{self, Frame, Function, Primary};
use crate::objects::{Meaning, Timestamp, read_time};
use crate::transport::Reassembly;

/// Most fragments of one answer: half a million bytes, several times what the largest device holds.
const MOST_FRAGMENTS: u32 = 256;

/// What a fragment holds that concerns the master itself.
#[derive(Debug, Default)]
struct Gist {
    events: bool,
    time: Option<Timestamp>,
    delay_ms: Option<u64>,
}

impl Channel {
    /// Takes in bytes.
    pub fn receive(&mut self, bytes: &[u8], now: Now, host: &mut impl Host) {
        let before = self.parser.counters();
        let mut parser = mem::take(&mut self.parser);
        parser.take(bytes);
        while let Some(frame) = parser.next_frame() {
            if self.closing.is_none() {
                self.frame(&frame, now, host);
            }
        }
        self.parser = parser;
        let rubbish = self.parser.counters().discarded_bytes - before.discarded_bytes;
        self.spend(rubbish.div_ceil(BYTES_A_FRAME), now);
    }

    /// Counts what nobody asked for, and has had enough of a peer that never stops.
    fn spend(&mut self, amount: u64, now: Now) {
        if !self.budget.spend(amount, now.monotonic) && self.closing.is_none() {
            self.closing = Some("the peer does not stop sending what nobody asked for".to_owned());
        }
    }

    fn frame(&mut self, frame: &Frame<'_>, now: Now, host: &mut impl Host) {
        let header = frame.header;
        let known = self.associations.iter().position(|a| a.outstation() == header.source);
        let Some(index) =
            known.filter(|_| header.destination == self.config.master && !header.control.from_master)
        else {
            self.foreign += 1;
            if let Some(flight) = &mut self.flight {
                flight.stranger = Some(header.source);
            }
            self.spend(1, now);
            return;
        };
        let association = &mut self.associations[index];
        association.heard_at = now.monotonic;
        association.asked_status = None;
        if let Some(answer) = link::answer(&header, true) {
            self.answer_link(answer);
            self.spend(1, now);
        }
        let user_data = matches!(
            header.control.function,
            Function::Primary(Primary::ConfirmedUserData | Primary::UnconfirmedUserData)
        );
        if user_data {
            let association = &mut self.associations[index];
            let mut reassembly = mem::replace(&mut association.reassembly, Reassembly::new(0));
            if let Some(fragment) = reassembly.take(frame.user_data) {
                self.fragment(index, fragment, now, host);
            }
            self.associations[index].reassembly = reassembly;
        }
    }

    fn fragment(&mut self, index: usize, bytes: &[u8], now: Now, host: &mut impl Host) {
        match Fragment::parse(bytes) {
            Ok(fragment) if fragment.function == Application::Response => {
                self.solicited(index, &fragment, now, host);
            }
            Ok(fragment) if fragment.function == Application::Unsolicited => {
                self.spend(1, now);
                self.unsolicited(index, &fragment, now, host);
            }
            _ => self.spend(1, now),
        }
    }

    fn solicited(&mut self, index: usize, fragment: &Fragment<'_>, now: Now, host: &mut impl Host) {
        let control = fragment.control;
        let expected = |flight: &Flight| {
            flight.association == index
                && flight.sequence == control.sequence
                && !control.unsolicited
                && control.first == (flight.fragments == 0)
        };
        let Some(mut flight) = self.flight.take_if(|flight| expected(flight)) else {
            self.late += 1;
            self.spend(1, now);
            return;
        };
        flight.fragments += 1;
        let latency = *flight.latency.get_or_insert(now.monotonic.saturating_sub(flight.sent_at));
        let indications = fragment.indications.unwrap_or_default();
        self.associations[index].answered();
        self.heard(index, indications, now, host);
        let (gist, owed) = self.take_objects(index, Some(flight.task), fragment, now, host);
        flight.events |= gist.events;
        self.associations[index].owed = owed;
        if !control.last {
            if flight.fragments >= MOST_FRAGMENTS {
                let outstation = self.associations[index].outstation();
                let failure = flight.expired(outstation, now.monotonic);
                self.flight = Some(flight);
                self.fail(failure, host);
                return;
            }
            flight.sequence = control.sequence.next();
            let from = owed.map_or(now.monotonic, |owed| owed.expires);
            flight.deadline = from + self.config.response_timeout;
            self.flight = Some(flight);
            return;
        }
        let outstation = self.associations[index].outstation();
        if indications.any(Indications::REFUSED) {
            self.associations[index].schedule.unsupported(flight.task);
            let failure = Failure::Refused { outstation, what: flight.request.text(), indications };
            host.note(outstation, Note::Failed { task: flight.task, failure, pace: flight.pace });
        } else if let Some(next) = next_step(&flight, &gist, now) {
            self.ask(index, (flight.task, flight.pace), next, now);
        } else {
            self.conclude(index, &flight, &gist, indications, host);
            host.note(outstation, Note::Done { task: flight.task, latency, pace: flight.pace });
        }
    }

    /// What follows from a task that is done.
    fn conclude(
        &mut self,
        index: usize,
        flight: &Flight,
        gist: &Gist,
        indications: Indications,
        host: &mut impl Host,
    ) {
        let association = &mut self.associations[index];
        let outstation = association.outstation();
        match (flight.task, gist.time) {
            (Task::SyncTime, _) => host.note(outstation, Note::ClockSet),
            (Task::Clock, Some(theirs)) => {
                let half = flight.latency.unwrap_or_default() / 2;
                let ours = flight.sent_wall.plus(u64::try_from(half.as_millis()).unwrap_or(0));
                let millis = theirs.millis().cast_signed() - ours.millis().cast_signed();
                host.note(outstation, Note::ClockOffset { millis });
            }
            (Task::Clock, None) => association.schedule.unsupported(Task::Clock),
            _ => {}
        }
        // only while it does bring events: a device whose indication is stuck is not asked for ever
        if flight.events && indications.any(Indications::ANY_EVENTS) && association.storing {
            let task = if flight.task == Task::Integrity && !association.config.event_polls.is_empty() {
                Task::Events(0)
            } else {
                flight.task
            };
            association.schedule.more_events(task);
        }
    }

    fn unsolicited(&mut self, index: usize, fragment: &Fragment<'_>, now: Now, host: &mut impl Host) {
        let control = fragment.control;
        let association = &mut self.associations[index];
        let wanted = fragment.objects.is_empty() || !association.config.unsolicited.is_empty();
        let outstation = association.outstation();
        let verdict = association.unsolicited.judge(control.sequence, fragment.objects);
        self.heard(index, fragment.indications.unwrap_or_default(), now, host);
        match verdict {
            Verdict::New if wanted => {
                let (_, owed) = self.take_objects(index, None, fragment, now, host);
                // One that asks for no confirmation is not remembered: should it come again and ask for one, nobody knows whether it was stored.
                if control.confirm {
                    let token = owed.map(|owed| owed.token);
                    self.associations[index].unsolicited.took(control.sequence, fragment.objects, token);
                }
            }
            Verdict::Again if control.confirm => self.confirm(index, control.sequence, true),
            Verdict::Again => {}
            Verdict::New | Verdict::Wait => host.note(outstation, Note::UnsolicitedIgnored),
        }
    }

    /// Hands objects to the host, and confirms them if that can be done at once. Returns what is owed if not.
    fn take_objects(
        &mut self,
        index: usize,
        task: Option<Task>,
        fragment: &Fragment<'_>,
        now: Now,
        host: &mut impl Host,
    ) -> (Gist, Option<Owed>) {
        let control = fragment.control;
        let outstation = self.associations[index].outstation();
        let gist = gist(fragment, |error| host.note(outstation, Note::Unreadable(error)));
        let token = control.confirm.then(|| self.next_token(index));
        let receipt = if fragment.objects.is_empty() {
            Receipt::Now
        } else {
            let indications = fragment.indications.unwrap_or_default();
            host.arrived(&Arrived { outstation, task, indications, fragment: *fragment, token })
        };
        let owed = match (token, receipt) {
            (Some(token), Receipt::WhenStored) => Some(Owed {
                token,
                sequence: control.sequence,
                expires: now.monotonic + self.config.storing_timeout,
                more: !control.last,
            }),
            (Some(_), Receipt::Now) => {
                // by its function: there are devices that forget the mark in the control byte
                self.confirm(index, control.sequence, task.is_none());
                None
            }
            (None, _) => None,
        };
        (gist, owed)
    }

    /// Follows up what the outstation says of itself.
    fn heard(&mut self, index: usize, indications: Indications, now: Now, host: &mut impl Host) {
        let association = &mut self.associations[index];
        let outstation = association.outstation();
        let before = mem::replace(&mut association.indications, indications);
        let news = |bit| indications.any(bit) && !before.any(bit);
        if news(Indications::DEVICE_RESTART) {
            host.note(outstation, Note::Restarted);
        }
        if indications.any(Indications::DEVICE_RESTART) {
            association.schedule.restarted(now.monotonic);
        }
        if news(Indications::EVENT_OVERFLOW) {
            host.note(outstation, Note::Overflowed);
            association.schedule.overflowed();
        }
        if indications.any(Indications::NEED_TIME) {
            association.schedule.needs_time(now.monotonic);
        }
    }
}

/// The next request of a task that takes several.
fn next_step(flight: &Flight, gist: &Gist, now: Now) -> Option<Request> {
    match flight.request {
        Request::RecordCurrentTime => Some(Request::WriteRecordedTime(flight.sent_wall)),
        Request::MeasureDelay => {
            // the way there and back, without the time that the outstation took (clause 10.3.3.1)
            let there_and_back = now.monotonic.saturating_sub(flight.sent_at).as_millis();
            let turnaround = u128::from(gist.delay_ms.unwrap_or(0));
            let one_way = there_and_back.saturating_sub(turnaround) / 2;
            Some(Request::WriteTime(now.wall.plus(u64::try_from(one_way).unwrap_or(0))))
        }
        _ => None,
    }
}

fn gist(fragment: &Fragment<'_>, mut unreadable: impl FnMut(crate::application::ObjectError)) -> Gist {
    let mut gist = Gist::default();
    for block in fragment.blocks() {
        match block {
            Ok(block) => match block.shape.meaning {
                Meaning::Point { event, .. } => gist.events |= event,
                Meaning::Time => gist.time = read_time(&block),
                Meaning::Delay { unit_ms } => {
                    gist.delay_ms = block
                        .data
                        .first_chunk::<2>()
                        .map(|units| u64::from(u16::from_le_bytes(*units)) * u64::from(unit_ms));
                }
                _ => {}
            },
            Err(error) => unreadable(error),
        }
    }
    gist
}
