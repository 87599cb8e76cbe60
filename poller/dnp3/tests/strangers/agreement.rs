//! Our own layers and the dissector read the same frames, and must agree on every field.

use dnp3::application::{Control as Application, Fragment};
use dnp3::link::{Header, Parser};
use dnp3::transport::{self, Reassembly};

use crate::capture::Sent;
use crate::dissector::{Packet, dissect};

/// Everything that it says of a frame.
pub(crate) const EVERYTHING: [&str; 24] = [
    "dnp3.len",
    "dnp3.ctl",
    "dnp3.ctl.dir",
    "dnp3.ctl.prm",
    "dnp3.ctl.prifunc",
    "dnp3.ctl.secfunc",
    "dnp3.dst",
    "dnp3.src",
    "dnp3.tr.fin",
    "dnp3.tr.fir",
    "dnp3.tr.seq",
    "dnp3.al.fir",
    "dnp3.al.fin",
    "dnp3.al.con",
    "dnp3.al.uns",
    "dnp3.al.seq",
    "dnp3.al.func",
    "dnp3.al.iin",
    "dnp3.al.fragment.error",
    "dnp3.al.fragment.reassembled.length",
    "dnp3.al.da.value",
    "dnp3.al.time_delay",
    "dnp3.al.timestamp",
    "dnp3.al.point_index",
];

/// A fragment of a capture: as we read it, and what the dissector says of the frame that ends it.
pub(crate) struct Exchange<'a> {
    pub(crate) bytes: Vec<u8>,
    pub(crate) packet: &'a Packet,
    pub(crate) at: u64,
    /// Whether the dissector has read it.
    pub(crate) read: bool,
}

impl Exchange<'_> {
    pub(crate) fn fragment(&self) -> Fragment<'_> {
        Fragment::parse(&self.bytes).unwrap()
    }
}

/// Reads a capture with our own layers, compares each with what the dissector says, and returns the fragments.
pub(crate) fn agree(packets: &[(Sent, Packet)]) -> Vec<Exchange<'_>> {
    let mut ways = [true, false].map(|_| (Reassembly::new(2048), 0));
    let mut fragments = vec![];
    for (sent, packet) in packets {
        let one = |field: &'static str| packet.whole(field)[0];
        let mut parser = Parser::new();
        parser.take(&sent.bytes);
        let frame = parser.next_frame().unwrap();
        let Header { control, destination, source } = frame.header;
        assert_eq!(one("dnp3.len"), 5 + frame.user_data.len() as u64);
        assert_eq!(one("dnp3.ctl"), u64::from(control.byte()));
        assert_eq!(one("dnp3.ctl.dir"), u64::from(control.from_master));
        assert_eq!((one("dnp3.dst"), one("dnp3.src")), (destination.number().into(), source.number().into()));
        let primary = control.byte() & 0x40 != 0;
        assert_eq!(one("dnp3.ctl.prm"), u64::from(primary));
        let function = if primary { "dnp3.ctl.prifunc" } else { "dnp3.ctl.secfunc" };
        assert_eq!(one(function), u64::from(control.byte() & 0x0F));
        let Some(segment) = frame.user_data.first() else { continue };
        let header = transport::Header::from_byte(*segment);
        assert_eq!((one("dnp3.tr.fir"), one("dnp3.tr.fin")), (header.first.into(), header.last.into()));
        assert_eq!(one("dnp3.tr.seq"), u64::from(segment & 0x3F));
        assert!(packet.all("dnp3.al.fragment.error").is_empty());
        let (reassembly, first) = &mut ways[usize::from(sent.from_master)];
        if header.first {
            *first = segment & 0x3F;
        }
        let Some(fragment) = reassembly.take(frame.user_data) else {
            assert!(packet.all("dnp3.al.func").is_empty());
            continue;
        };
        // tshark 4.0 does not put a fragment together whose segments are numbered past 63 and go on from 0, as they must (clause 8.2)
        let read = segment & 0x3F >= *first || !packet.all("dnp3.al.func").is_empty();
        fragments.push(Exchange { bytes: fragment.to_vec(), packet, at: sent.at, read });
    }
    for exchange in fragments.iter().filter(|exchange| exchange.read) {
        let (bytes, packet) = (&exchange.bytes, exchange.packet);
        let one = |field: &'static str| packet.whole(field)[0];
        let control = Application::from_byte(bytes[0]);
        assert_eq!((one("dnp3.al.fir"), one("dnp3.al.fin")), (control.first.into(), control.last.into()));
        assert_eq!(
            (one("dnp3.al.con"), one("dnp3.al.uns")),
            (control.confirm.into(), control.unsolicited.into())
        );
        assert_eq!(one("dnp3.al.seq"), u64::from(control.sequence.number()));
        assert_eq!(packet.whole("dnp3.al.func"), [u64::from(bytes[1])]);
        assert_eq!(one("dnp3.al.fragment.reassembled.length"), bytes.len() as u64);
        let fragment = exchange.fragment();
        let indications = fragment.indications.map(|i| u64::from(u16::from_be_bytes(i.bytes())));
        assert_eq!(packet.whole("dnp3.al.iin"), Vec::from_iter(indications));
        let group_and_variation = |object: u64| if object >> 8 >= 110 { object & 0xFF00 } else { object };
        let objects =
            fragment.blocks().map_while(Result::ok).map(|b| u64::from(b.group) << 8 | u64::from(b.variation));
        let objects = Vec::from_iter(objects.map(group_and_variation));
        // What comes with a control, or with freezing and assigning, is nothing that our own layers read, nor does the dissector read all of it.
        if !matches!(bytes[1], 3..=12 | 22) {
            assert_eq!(packet.whole("dnp3.al.obj"), objects);
        }
    }
    fragments
}

pub(crate) fn everything(sent: &[Sent]) -> Vec<(Sent, Packet)> {
    dissect(sent, &EVERYTHING)
}
