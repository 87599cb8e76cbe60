//! A master's stories, told in bytes: what an outstation says, what the master says to that, and when.
//!
//! Fragments marked (opendnp3) are in the tests of that project (Apache-2.0), TestMaster, read there; the others follow from the
//! clauses named.

use std::time::Duration;

use super::*;
use crate::application::Fragment;
use crate::link::tests::hex;
use crate::link::{self, Address, Control, Function, Header, Primary};
use crate::objects::{Class, Points, Timestamp};
use crate::transport::Segments;

const MASTER: u16 = 1;
const OUTSTATION: u16 = 10;
const READ_ALL: &str = "01 3C 02 06 3C 03 06 3C 04 06 3C 01 06";
const SILENCE: &str = "15 3C 02 06 3C 03 06 3C 04 06";

/// What was told, as lines.
#[derive(Default)]
struct Told {
    lines: Vec<String>,
    tokens: Vec<Token>,
    store_later: bool,
}

impl Host for Told {
    fn arrived(&mut self, arrived: &Arrived<'_>) -> Receipt {
        for block in arrived.fragment.blocks().map_while(Result::ok) {
            for point in Points::of(&block, None) {
                self.lines.push(format!("{:?} {} {:?}", point.kind, point.index, point.value));
            }
        }
        self.tokens.extend(arrived.token);
        if self.store_later { Receipt::WhenStored } else { Receipt::Now }
    }

    fn note(&mut self, _: Address, note: Note) {
        self.lines.push(match note {
            Note::Done { task, .. } => format!("{task:?} done"),
            Note::Failed { failure, .. } => failure.to_string(),
            other => format!("{other:?}"),
        });
    }
}

struct Story {
    channel: Channel,
    told: Told,
    time: Duration,
}

impl Story {
    fn new(edit: impl FnOnce(&mut AssociationConfig)) -> Self {
        let mut config = AssociationConfig::new(address(OUTSTATION), Duration::from_secs(10));
        (config.attributes, config.clock_period) = (false, Duration::ZERO);
        edit(&mut config);
        Self::with(vec![config])
    }

    fn with(configs: Vec<AssociationConfig>) -> Self {
        let mut channel_config = ChannelConfig::new(address(MASTER));
        channel_config.keep_alive = Duration::ZERO;
        let time = Duration::from_secs(100);
        let mut channel = Channel::new(channel_config, configs, time);
        channel.connected(Now { monotonic: time, wall: Timestamp::from_millis(1_419_802_341_000) });
        Self { channel, told: Told::default(), time }
    }

    /// A story in which silence has been asked for and everything been read; the next request has the number 2.
    fn begun(edit: impl FnOnce(&mut AssociationConfig)) -> Self {
        let mut story = Self::new(edit);
        story.says(&format!("C0 {SILENCE}"));
        story.hears("C0 81 00 00");
        story.says(&format!("C1 {READ_ALL}"));
        story.hears("C1 81 00 00");
        story.told.lines.clear();
        story
    }

    fn now(&self) -> Now {
        let since = u64::try_from((self.time - Duration::from_secs(100)).as_millis()).unwrap();
        Now { monotonic: self.time, wall: Timestamp::from_millis(1_419_802_341_000 + since) }
    }

    /// The fragments sent since the last look, with the addresses they went to.
    fn sent(&mut self) -> Vec<(u16, Vec<u8>)> {
        let now = self.now();
        self.channel.tick(now, &mut self.told);
        let mut parser = link::Parser::new();
        parser.take(self.channel.output());
        let mut sent = vec![];
        while let Some(frame) = parser.next_frame() {
            let user_data = frame.user_data.get(1..).unwrap_or_default().to_vec();
            sent.push((frame.header.destination.number(), user_data));
        }
        self.channel.output().clear();
        sent
    }

    #[track_caller]
    fn says(&mut self, fragment: &str) {
        assert_eq!(self.sent(), [(OUTSTATION, hex(fragment))]);
    }

    #[track_caller]
    fn says_nothing(&mut self) {
        assert_eq!(self.sent(), []);
    }

    fn hears_from(&mut self, source: u16, fragment: &str) {
        let header = Header {
            control: Control::new(false, Function::Primary(Primary::UnconfirmedUserData)),
            destination: address(MASTER),
            source: address(source),
        };
        let (fragment, mut segment, mut wire) = (hex(fragment), vec![], vec![]);
        let mut segments = Segments::of(&fragment, crate::transport::Sequence::default());
        while segments.next_into(&mut segment) {
            link::encode(header, &segment, &mut wire);
        }
        let now = self.now();
        self.channel.receive(&wire, now, &mut self.told);
    }

    fn hears(&mut self, fragment: &str) {
        self.hears_from(OUTSTATION, fragment);
    }

    #[track_caller]
    fn was_told(&mut self, lines: &[&str]) {
        assert_eq!(std::mem::take(&mut self.told.lines), lines);
    }

    fn wait(&mut self, seconds: u64) {
        self.time += Duration::from_secs(seconds);
    }

    fn stored(&mut self, token: Token, whether: bool) {
        let now = self.now();
        self.channel.stored(token, whether, now, &mut self.told);
    }
}

const fn address(number: u16) -> Address {
    Address::from_wire(number)
}

/// (opendnp3): the start-up sequence, and a response with restart.
#[test]
fn a_connection_begins_with_silence_everything_and_unsolicited() {
    let mut story = Story::new(|c| c.unsolicited = Classes::of(&[Class::One, Class::Two]));
    story.says(&format!("C0 {SILENCE}"));
    story.says_nothing();
    story.hears("C0 81 00 00");
    story.says(&format!("C1 {READ_ALL}"));
    story.hears("C1 81 00 00 01 02 00 00 00 81");
    story.says("C2 14 3C 02 06 3C 03 06");
    story.hears("C2 81 00 00");
    story.says_nothing();
    story.was_told(&[
        "DisableUnsolicited done",
        "Binary 0 Binary(true)",
        "Integrity done",
        "EnableUnsolicited done",
    ]);
    story.wait(10);
    story.says("C3 01 3C 02 06 3C 03 06 3C 04 06");
}

/// (opendnp3): the restart bit is cleared by a write of group 80 index 7.
#[test]
fn a_restart_is_told_once_cleared_and_everything_read_again() {
    let mut story = Story::begun(|_| {});
    story.wait(10);
    story.says("C2 01 3C 02 06 3C 03 06 3C 04 06");
    story.hears("C2 81 80 00");
    story.says("C3 02 50 01 00 07 07 00");
    story.hears("C3 81 00 00");
    story.says(&format!("C4 {READ_ALL}"));
    story.hears("C4 81 00 00");
    story.says_nothing();
    story.was_told(&["Restarted", "Events(0) done", "ClearRestart done", "Integrity done"]);
}

#[test]
fn lost_events_are_told_and_everything_is_read() {
    let mut story = Story::begun(|_| {});
    story.wait(10);
    story.says("C2 01 3C 02 06 3C 03 06 3C 04 06");
    story.hears("C2 81 00 08");
    story.says(&format!("C3 {READ_ALL}"));
    story.hears("C3 81 00 08");
    story.says_nothing();
    story.was_told(&["Overflowed", "Events(0) done", "Integrity done"]);
}

/// (opendnp3): a class 1 event that must be confirmed.
#[test]
fn events_are_confirmed_when_they_are_stored_and_not_before() {
    let mut story = Story::begun(|_| {});
    story.told.store_later = true;
    story.wait(10);
    story.says("C2 01 3C 02 06 3C 03 06 3C 04 06");
    story.hears("E2 81 00 00 02 01 28 01 00 00 00 81");
    story.wait(1);
    story.says_nothing();
    let token = story.told.tokens[0];
    story.stored(token, true);
    story.says("C2 00");
    story.was_told(&["Binary 0 Binary(true)", "Events(0) done"]);
    // twice is once
    story.stored(token, true);
    story.says_nothing();
}

#[test]
fn while_events_cannot_be_stored_they_stay_where_they_are_and_present_values_are_read() {
    let mut story = Story::begun(|_| {});
    story.told.store_later = true;
    story.wait(10);
    story.says("C2 01 3C 02 06 3C 03 06 3C 04 06");
    story.hears("E2 81 00 00 02 01 28 01 00 00 00 81");
    story.wait(5);
    story.says_nothing();
    story.wait(5);
    story.says("C3 01 3C 01 06");
    story.hears("C3 81 02 00 01 02 00 00 00 81");
    // the database is back: too late to confirm, and events are asked for again
    let token = story.told.tokens[0];
    story.stored(token, true);
    story.says_nothing();
    story.wait(10);
    story.says("C4 01 3C 02 06 3C 03 06 3C 04 06");
}

/// Otherwise the same would be asked for again as fast as the line carries it.
#[test]
fn after_a_loss_events_are_left_alone_for_a_while() {
    let mut story = Story::new(|_| {});
    story.told.store_later = true;
    story.says(&format!("C0 {SILENCE}"));
    story.hears("C0 81 00 00");
    story.says(&format!("C1 {READ_ALL}"));
    story.hears("A1 81 02 00 02 01 28 01 00 00 00 81");
    story.stored(story.told.tokens[0], false);
    story.says("C2 01 3C 01 06");
    story.hears("C2 81 02 00 01 02 00 00 00 81");
    story.says_nothing();
    story.wait(10);
    story.says("C3 01 3C 02 06 3C 03 06 3C 04 06");
    story.hears("E3 81 02 00 02 01 28 01 00 00 00 81");
    story.stored(story.told.tokens[1], false);
    story.says("C4 01 3C 01 06");
    story.hears("C4 81 02 00 01 02 00 00 00 81");
    story.says_nothing();
}

#[test]
fn an_answer_of_several_fragments_is_confirmed_one_by_one() {
    let mut story = Story::begun(|_| {});
    story.wait(10);
    story.says("C2 01 3C 02 06 3C 03 06 3C 04 06");
    story.hears("A2 81 00 00 02 01 28 01 00 00 00 81");
    story.says("C2 00");
    story.hears("23 81 00 00 02 01 28 01 00 01 00 01");
    story.says("C3 00");
    story.hears("44 81 00 00 01 02 00 00 00 81");
    story.was_told(&[
        "Binary 0 Binary(true)",
        "Binary 1 Binary(false)",
        "Binary 0 Binary(true)",
        "Events(0) done",
    ]);
    story.wait(10);
    story.says("C3 01 3C 02 06 3C 03 06 3C 04 06");
}

#[test]
fn late_and_foreign_answers_are_not_taken_for_the_answer() {
    let mut story = Story::begun(|_| {});
    story.wait(10);
    story.says("C2 01 3C 02 06 3C 03 06 3C 04 06");
    story.hears("C1 81 00 00 01 02 00 00 00 81");
    story.hears("D2 81 00 00 01 02 00 00 00 81");
    story.hears("42 81 00 00 01 02 00 00 00 81");
    assert_eq!(story.channel.late_answers(), 3);
    story.hears_from(11, "C2 81 00 00 01 02 00 00 00 81");
    assert_eq!(story.channel.foreign_frames(), 1);
    story.wait(5);
    story.says_nothing();
    story.was_told(&["no answer from outstation 10 to the read of class 1, 2, 3 within 5000 ms; \
         frames came from address 11 instead"]);
}

#[test]
fn a_silent_outstation_is_asked_less_and_less_and_then_the_connection_is_doubted() {
    let mut story = Story::new(|_| {});
    story.says(&format!("C0 {SILENCE}"));
    story.wait(5);
    story.says_nothing();
    story.wait(14);
    story.says_nothing();
    story.wait(1);
    assert_eq!(story.sent().len(), 1);
    assert_eq!(story.channel.close_reason(), None);
    story.wait(5);
    story.says_nothing();
    assert_eq!(story.channel.close_reason(), Some("nobody behind it answers"));
}

#[test]
fn a_silent_outstation_does_not_hold_up_its_neighbours() {
    let mut configs = vec![];
    for number in [10, 11] {
        let mut config = AssociationConfig::new(address(number), Duration::from_secs(10));
        (config.attributes, config.clock_period) = (false, Duration::ZERO);
        configs.push(config);
    }
    let mut story = Story::with(configs);
    let mut asked = [0, 0];
    for _ in 0..600 {
        for (to, fragment) in story.sent() {
            asked[usize::from(to - 10)] += 1;
            if to == 11 {
                story.hears_from(11, &format!("{:02X} 81 00 00", fragment[0]));
            }
        }
        story.wait(1);
    }
    // 60 polls and a start; the silent one holds the line for 5 s at a time, at most a quarter of it
    assert!(asked[1] >= 50, "{asked:?}");
    assert!((5..=30).contains(&asked[0]), "{asked:?}");
    assert_eq!(story.channel.close_reason(), None);
}

/// (opendnp3): unsolicited responses and their confirmations.
#[test]
fn unsolicited_events_are_taken_once_and_confirmed_each_time() {
    let mut story = Story::begun(|c| c.unsolicited = Classes::EVENTS);
    story.says("C2 14 3C 02 06 3C 03 06 3C 04 06");
    story.hears("C2 81 00 00");
    story.told.lines.clear();
    story.hears("F0 82 00 00");
    story.says("D0 00");
    story.hears("F1 82 00 00 02 01 28 01 00 00 00 81");
    story.says("D1 00");
    story.hears("F1 82 00 00 02 01 28 01 00 00 00 81");
    story.says("D1 00");
    story.was_told(&["Binary 0 Binary(true)"]);
    story.told.store_later = true;
    story.hears("F2 82 00 00 02 01 28 01 00 00 00 01");
    story.hears("F2 82 00 00 02 01 28 01 00 00 00 01");
    story.says_nothing();
    story.was_told(&["Binary 0 Binary(false)", "UnsolicitedIgnored"]);
    let token = *story.told.tokens.last().unwrap();
    story.stored(token, true);
    story.says("D2 00");
}

#[test]
fn unsolicited_events_that_nobody_wants_are_left_with_the_outstation() {
    let mut story = Story::begun(|_| {});
    story.hears("F1 82 00 00 02 01 28 01 00 00 00 81");
    story.says_nothing();
    story.was_told(&["UnsolicitedIgnored"]);
    // the empty one at its start wants an answer all the same (clause 5.1.1.1)
    story.hears("F0 82 80 00");
    assert_eq!(story.sent()[0].1, hex("D0 00"));
}

/// The confirmation says that it is of an unsolicited response, the first time as any other (found by fuzzing).
#[test]
fn unsolicited_events_without_the_mark_are_confirmed_the_same_each_time() {
    let mut story = Story::begun(|c| c.unsolicited = Classes::EVENTS);
    story.says("C2 14 3C 02 06 3C 03 06 3C 04 06");
    story.hears("C2 81 00 00");
    story.hears("E1 82 00 00 02 01 28 01 00 00 00 81");
    story.says("D1 00");
    story.hears("E1 82 00 00 02 01 28 01 00 00 00 81");
    story.says("D1 00");
    story.told.store_later = true;
    story.hears("E2 82 00 00 02 01 28 01 00 00 00 01");
    let token = *story.told.tokens.last().unwrap();
    story.stored(token, true);
    story.says("D2 00");
}

/// A response that asks for no confirmation and is repeated with the question: what came of the first nobody knows (found by fuzzing).
#[test]
fn what_was_taken_without_a_question_is_taken_again_when_it_asks() {
    let mut story = Story::begun(|c| c.unsolicited = Classes::EVENTS);
    story.says("C2 14 3C 02 06 3C 03 06 3C 04 06");
    story.hears("C2 81 00 00");
    story.told.store_later = true;
    story.told.lines.clear();
    story.hears("D1 82 00 00 02 01 28 01 00 00 00 81");
    story.says_nothing();
    story.hears("F1 82 00 00 02 01 28 01 00 00 00 81");
    story.says_nothing();
    story.was_told(&["Binary 0 Binary(true)", "Binary 0 Binary(true)"]);
    let token = *story.told.tokens.last().unwrap();
    story.stored(token, true);
    story.says("D1 00");
}

/// Clause 10.3.3.2: what is written is when the request before it was sent.
#[test]
fn a_clock_is_set_by_the_network_procedure() {
    let mut story = Story::begun(|c| c.time_sync = TimeSync::Lan);
    story.wait(10);
    story.says("C2 01 3C 02 06 3C 03 06 3C 04 06");
    story.hears("C2 81 10 00");
    story.says("C3 18");
    story.wait(1);
    story.hears("C3 81 10 00");
    // 1419802341000 ms and ten seconds
    story.says("C4 02 32 03 07 01 98 95 D0 92 4A 01");
    story.hears("C4 81 00 00");
    story.says_nothing();
    story.was_told(&["Events(0) done", "ClockSet", "SyncTime done"]);
}

/// Clause 10.3.3.1: the time now and half of the way there and back, less what the outstation says it took.
#[test]
fn a_clock_is_set_by_the_procedure_for_slow_lines() {
    let mut story = Story::begun(|c| c.time_sync = TimeSync::NonLan);
    story.wait(10);
    story.says("C2 01 3C 02 06 3C 03 06 3C 04 06");
    story.hears("C2 81 10 00");
    story.says("C3 17");
    story.wait(2);
    // it took one second of the two
    story.hears("C3 81 10 00 34 02 07 01 E8 03");
    // 1419802341000 ms, twelve seconds and a half
    story.says("C4 02 32 01 07 01 5C 9F D0 92 4A 01");
}

#[test]
fn clocks_are_compared_and_a_device_without_one_is_not_asked_again() {
    let mut story = Story::begun(|c| {
        c.clock_period = Duration::from_secs(600);
        c.event_polls.clear();
    });
    story.says("C2 01 32 01 07 01");
    story.wait(2);
    // 1419802341000 ms is one second less than half-way
    story.hears("C2 81 00 00 32 01 07 01 88 6E D0 92 4A 01");
    story.was_told(&["ClockOffset { millis: -1000 }", "Clock done"]);
    story.wait(600);
    story.says("C3 01 32 01 07 01");
    story.hears("C3 81 00 02");
    story.was_told(&["outstation 10 refused the read of the clock: object unknown"]);
    story.wait(600);
    story.says_nothing();
}

#[test]
fn more_events_are_fetched_at_once_but_a_stuck_indication_is_not_followed_for_ever() {
    let mut story = Story::begun(|_| {});
    story.wait(10);
    story.says("C2 01 3C 02 06 3C 03 06 3C 04 06");
    story.hears("E2 81 02 00 02 01 28 01 00 00 00 81");
    assert_eq!(story.sent()[1].1, hex("C3 01 3C 02 06 3C 03 06 3C 04 06"));
    story.hears("C3 81 02 00");
    story.says_nothing();
}

#[test]
fn an_unknown_object_is_told_and_what_came_before_it_is_kept() {
    let mut story = Story::begun(|_| {});
    story.wait(10);
    story.says("C2 01 3C 02 06 3C 03 06 3C 04 06");
    story.hears("C2 81 00 00 01 02 00 00 00 81 FE 07 00 00 00 01");
    story.was_told(&[
        "Unreadable(UnknownObject { group: 254, variation: 7 })",
        "Binary 0 Binary(true)",
        "Events(0) done",
    ]);
}

#[test]
fn an_answer_without_end_is_ended() {
    let mut story = Story::begun(|_| {});
    story.wait(10);
    story.says("C2 01 3C 02 06 3C 03 06 3C 04 06");
    story.hears("82 81 00 00 01 02 00 00 00 81");
    for number in 3..1000_u16 {
        story.hears(&format!("{:02X} 81 00 00 01 02 00 00 00 81", number % 16));
    }
    let lines = std::mem::take(&mut story.told.lines);
    assert_eq!(lines.len(), 257);
    assert!(lines[256].starts_with("the answer of outstation 10 to the read of class 1, 2, 3 did not end"));
}

#[test]
fn a_peer_that_does_not_stop_sending_is_left() {
    let mut story = Story::begun(|_| {});
    let now = story.now();
    for _ in 0..200 {
        story.channel.receive(&[0x55; 1000], now, &mut story.told);
    }
    assert!(story.channel.close_reason().unwrap().contains("does not stop sending"));
}

#[test]
fn a_quiet_link_is_asked_for_its_status() {
    let mut config = AssociationConfig::new(address(OUTSTATION), Duration::from_secs(1000));
    (config.attributes, config.clock_period) = (false, Duration::ZERO);
    let mut story = Story::with(vec![config]);
    story.channel.config.keep_alive = Duration::from_secs(60);
    story.sent();
    story.hears("C0 81 00 00");
    story.sent();
    story.hears("C1 81 00 00");
    story.wait(60);
    let now = story.now();
    story.channel.tick(now, &mut story.told);
    // the header of the third published frame of the link layer's tests has the same form: 05 64 05 C9
    assert_eq!(story.channel.output()[..8], hex("05 64 05 C9 0A 00 01 00"));
    story.channel.output().clear();
    let answer = Header {
        control: Control::new(false, Function::Secondary(link::Secondary::LinkStatus)),
        destination: address(MASTER),
        source: address(OUTSTATION),
    };
    let mut wire = vec![];
    link::encode(answer, &[], &mut wire);
    story.channel.receive(&wire, now, &mut story.told);
    story.wait(59);
    story.says_nothing();
    assert!(!story.channel.associations()[0].is_silent());
    story.wait(1);
    story.sent();
    story.wait(5);
    story.sent();
    assert!(story.channel.associations()[0].is_silent());
}

#[test]
fn the_peers_link_requests_are_answered() {
    let mut story = Story::begun(|_| {});
    let now = story.now();
    // request link status from the outstation's side (opendnp3's frame has other addresses)
    let ask = Header {
        control: Control::new(false, Function::Primary(Primary::RequestLinkStatus)),
        destination: address(MASTER),
        source: address(OUTSTATION),
    };
    let mut wire = vec![];
    link::encode(ask, &[], &mut wire);
    story.channel.receive(&wire, now, &mut story.told);
    assert_eq!(story.channel.output()[..8], hex("05 64 05 8B 0A 00 01 00"));
}

#[test]
fn nothing_that_is_sent_is_anything_but_permitted() {
    // every task of every configuration, each answered with every indication in turn
    let mut story = Story::new(|c| {
        c.unsolicited = Classes::EVENTS;
        c.time_sync = TimeSync::Lan;
        c.attributes = true;
        c.clock_period = Duration::from_secs(30);
        c.integrity_period = Duration::from_secs(60);
    });
    let mut functions = std::collections::BTreeSet::new();
    for round in 0..3000_u32 {
        for (_, bytes) in story.sent() {
            let fragment = Fragment::parse(&bytes).unwrap();
            functions.insert(bytes[1]);
            if fragment.function != crate::application::Function::Confirm {
                let [low, high] = u16::try_from(round % 0x1000).unwrap().to_le_bytes();
                story.hears(&format!("{:02X} 81 {low:02X} {high:02X}", bytes[0]));
            }
        }
        story.wait(1);
    }
    assert_eq!(functions.into_iter().collect::<Vec<_>>(), [1, 2, 20, 21, 24]);
}
