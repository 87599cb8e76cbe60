//! What a master may send. Written from the rule (reading, confirming, and the housekeeping that a master owes), not from the code that it judges.

use dnp3::application::{Blocks, Control, Extent, Fragment, Function, Indications};
use dnp3::link::{self, Frame, Primary};
use dnp3::master::{AssociationConfig, TimeSync};
use dnp3::objects::{Class, Meaning};

use super::MASTER;

/// What a frame of the master turned out to be.
pub(super) enum Sent {
    /// Something of the link layer.
    Link,
    /// A confirmation: of what number, and whether of something unsolicited.
    Confirm(u8, bool),
    /// A request with a number.
    Request(u8),
}

/// Checks a frame, and says to which outstation it goes.
pub(super) fn judge(frame: &Frame<'_>, configs: &[AssociationConfig]) -> (usize, Sent) {
    let header = frame.header;
    assert!(header.control.from_master && header.source == MASTER);
    let to = configs.iter().position(|config| config.outstation == header.destination);
    let to = to.expect("a master speaks to its own outstations only");
    match header.control.function {
        link::Function::Secondary(_) | link::Function::Primary(Primary::RequestLinkStatus) => {
            assert!(frame.user_data.is_empty());
            (to, Sent::Link)
        }
        link::Function::Primary(Primary::UnconfirmedUserData) => {
            let (transport, fragment) = frame.user_data.split_first().expect("a segment");
            assert_eq!(transport & 0xC0, 0xC0, "all that a master says fits one segment");
            let fragment = Fragment::parse(fragment).expect("a fragment");
            (to, fragment_sent(&fragment, &configs[to]))
        }
        other => panic!("a master does not send {other:?}"),
    }
}

fn fragment_sent(fragment: &Fragment<'_>, config: &AssociationConfig) -> Sent {
    let Control { first, last, confirm, unsolicited, sequence } = fragment.control;
    assert!(first && last && !confirm);
    assert_eq!(fragment.indications.unwrap_or(Indications::NONE), Indications::NONE);
    if fragment.function == Function::Confirm {
        assert!(fragment.objects.is_empty());
        return Sent::Confirm(sequence.number(), unsolicited);
    }
    assert!(!unsolicited);
    let sets_time = config.time_sync != TimeSync::Never;
    match fragment.function {
        Function::Read => each(fragment.objects, false, |meaning, extent, _| match meaning {
            Meaning::Class(_) => extent == Extent::All,
            Meaning::Time => extent == Extent::Count(1),
            Meaning::Attribute => extent == Extent::Range { start: 0, stop: 0 },
            _ => false,
        }),
        Function::Write => each(fragment.objects, true, |meaning, extent, data| match meaning {
            Meaning::Indications => extent == Extent::Range { start: 7, stop: 7 } && data == [0],
            Meaning::Time | Meaning::LastRecordedTime => sets_time && extent == Extent::Count(1),
            _ => false,
        }),
        Function::EnableUnsolicited => each(fragment.objects, false, |meaning, extent, _| {
            matches!(meaning, Meaning::Class(class) if class != Class::Zero && config.unsolicited.contains(class))
                && extent == Extent::All
        }),
        Function::DisableUnsolicited => each(fragment.objects, false, |meaning, extent, _| {
            matches!(meaning, Meaning::Class(class) if class != Class::Zero) && extent == Extent::All
        }),
        Function::DelayMeasurement | Function::RecordCurrentTime => {
            assert!(sets_time && fragment.objects.is_empty());
        }
        other => panic!("a master may not send {other:?}"),
    }
    Sent::Request(sequence.number())
}

/// Checks every block of a request; there is at least one.
fn each(objects: &[u8], data_follows: bool, may_be: impl Fn(Meaning, Extent, &[u8]) -> bool) {
    assert!(!objects.is_empty());
    let blocks = if data_follows { Blocks::with_data(objects) } else { Blocks::headers(objects) };
    for block in blocks {
        let block = block.expect("a sound block");
        assert!(may_be(block.shape.meaning, block.extent, block.data), "a master may not send {block:?}");
    }
}
