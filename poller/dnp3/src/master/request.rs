//! Everything that a master here can say.
//!
//! This is the only place where fragments of the master are made. There is no function to select, to operate, to restart, for files
//! or for assigning classes, and the only objects that can be written are the time and the restart indication.

use super::Classes;
use crate::application::{Control, Sequence, write};
use crate::objects::{Timestamp, encode_time};

/// A request.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Request {
    /// Read all data of some classes.
    ReadClasses(Classes),
    /// Read the clock.
    ReadTime,
    /// Read the device attributes.
    ReadAttributes,
    /// Clear the restart indication.
    ClearRestart,
    /// Allow unsolicited responses.
    EnableUnsolicited(Classes),
    /// Forbid unsolicited responses.
    DisableUnsolicited,
    /// Note when this arrives.
    RecordCurrentTime,
    /// How long do you take to answer?
    MeasureDelay,
    /// The time now.
    WriteTime(Timestamp),
    /// The time when [`Request::RecordCurrentTime`] was sent.
    WriteRecordedTime(Timestamp),
}

/// The functions that can be sent (table 4-2). There are no others.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
enum Permitted {
    Confirm = 0,
    Read = 1,
    Write = 2,
    EnableUnsolicited = 20,
    DisableUnsolicited = 21,
    DelayMeasurement = 23,
    RecordCurrentTime = 24,
}

/// Index of the restart indication among the internal indications (clause 11.9.8).
const RESTART_INDEX: u16 = 7;

impl Request {
    /// Adds the request as a fragment.
    pub fn encode(self, sequence: Sequence, out: &mut Vec<u8>) {
        let function = match self {
            Self::ReadClasses(_) | Self::ReadTime | Self::ReadAttributes => Permitted::Read,
            Self::ClearRestart | Self::WriteTime(_) | Self::WriteRecordedTime(_) => Permitted::Write,
            Self::EnableUnsolicited(_) => Permitted::EnableUnsolicited,
            Self::DisableUnsolicited => Permitted::DisableUnsolicited,
            Self::RecordCurrentTime => Permitted::RecordCurrentTime,
            Self::MeasureDelay => Permitted::DelayMeasurement,
        };
        out.extend_from_slice(&[Control::single(sequence).byte(), function as u8]);
        match self {
            Self::ReadClasses(classes) | Self::EnableUnsolicited(classes) => class_headers(classes, out),
            Self::DisableUnsolicited => class_headers(Classes::EVENTS, out),
            Self::ReadTime => write::count(50, 1, 1, out),
            Self::ReadAttributes => write::range(0, crate::objects::attribute::variation::ALL, 0, 0, out),
            Self::ClearRestart => {
                write::range(80, 1, RESTART_INDEX, RESTART_INDEX, out);
                out.push(0);
            }
            Self::WriteTime(time) => {
                write::count(50, 1, 1, out);
                encode_time(time, out);
            }
            Self::WriteRecordedTime(time) => {
                write::count(50, 3, 1, out);
                encode_time(time, out);
            }
            Self::RecordCurrentTime | Self::MeasureDelay => {}
        }
    }

    /// What it is, for people.
    #[must_use]
    pub fn text(self) -> String {
        match self {
            Self::ReadClasses(classes) => {
                let mut numbers: Vec<u8> = classes.in_order().map(|c| c.variation() - 1).collect();
                numbers.sort_unstable();
                let numbers: Vec<String> = numbers.iter().map(u8::to_string).collect();
                format!("the read of class {}", numbers.join(", "))
            }
            Self::ReadTime => "the read of the clock".to_owned(),
            Self::ReadAttributes => "the read of device attributes".to_owned(),
            Self::ClearRestart => "clearing the restart indication".to_owned(),
            Self::EnableUnsolicited(_) => "enabling unsolicited responses".to_owned(),
            Self::DisableUnsolicited => "disabling unsolicited responses".to_owned(),
            Self::RecordCurrentTime | Self::MeasureDelay => "preparing to set the clock".to_owned(),
            Self::WriteTime(_) | Self::WriteRecordedTime(_) => "setting the clock".to_owned(),
        }
    }
}

/// Adds a confirmation.
pub(super) fn confirm(sequence: Sequence, unsolicited: bool, out: &mut Vec<u8>) {
    let control = Control { unsolicited, ..Control::single(sequence) };
    out.extend_from_slice(&[control.byte(), Permitted::Confirm as u8]);
}

fn class_headers(classes: Classes, out: &mut Vec<u8>) {
    for class in classes.in_order() {
        write::all(60, class.variation(), out);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::link::tests::hex;

    fn bytes(request: Request, sequence: u8) -> Vec<u8> {
        let mut out = vec![];
        request.encode(Sequence::new(sequence), &mut out);
        out
    }

    /// The first four are in the tests of the opendnp3 project (Apache-2.0), TestMaster, read there; the others follow from
    /// clauses 10.3.3 and 11.9.
    #[test]
    fn each_request_is_what_the_standard_says() {
        let time = Timestamp::from_millis(1_419_802_341_000);
        for (request, sequence, wire) in [
            (Request::ReadClasses(Classes::ALL), 3, "C3 01 3C 02 06 3C 03 06 3C 04 06 3C 01 06"),
            (Request::ReadClasses(Classes::STATIC), 0, "C0 01 3C 01 06"),
            (Request::ClearRestart, 0, "C0 02 50 01 00 07 07 00"),
            (Request::DisableUnsolicited, 1, "C1 15 3C 02 06 3C 03 06 3C 04 06"),
            (Request::EnableUnsolicited(Classes::EVENTS), 2, "C2 14 3C 02 06 3C 03 06 3C 04 06"),
            (Request::MeasureDelay, 4, "C4 17"),
            (Request::RecordCurrentTime, 5, "C5 18"),
            (Request::WriteTime(time), 6, "C6 02 32 01 07 01 88 6E D0 92 4A 01"),
            (Request::WriteRecordedTime(time), 7, "C7 02 32 03 07 01 88 6E D0 92 4A 01"),
            (Request::ReadTime, 8, "C8 01 32 01 07 01"),
            (Request::ReadAttributes, 9, "C9 01 00 FE 00 00 00"),
        ] {
            assert_eq!(bytes(request, sequence), hex(wire), "{request:?}");
        }
    }

    #[test]
    fn confirmations_carry_the_number_and_the_kind_of_what_they_confirm() {
        let mut out = vec![];
        confirm(Sequence::new(0), false, &mut out);
        confirm(Sequence::new(7), true, &mut out);
        assert_eq!(out, hex("C0 00 D7 00"));
    }
}
