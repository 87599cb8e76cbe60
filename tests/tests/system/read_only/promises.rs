//! What must be true of everything that the poller said; and that it was put to the test.

use std::collections::{BTreeMap, BTreeSet};

use dnp3::link::{self, Address, Control, Header};

use super::capture::{self, Packet, Sent};
use super::dissection::{self, dissect};
use super::outstation::MASTER;

/// A check word that is right.
const GOOD: u64 = 1;
const BAD: u64 = 0;

const FIELDS: [&str; 18] = [
    "dnp3.start",
    "dnp3.ctl.dir",
    "dnp3.ctl.prifunc",
    "dnp3.ctl.secfunc",
    "dnp3.src",
    "dnp3.dst",
    "dnp.hdr.CRC.status",
    "dnp.data_chunk.CRC.status",
    "dnp3.al.func",
    "dnp3.al.fir",
    "dnp3.al.fin",
    "dnp3.al.obj",
    "dnp3.al.point_index",
    "dnp3.al.iin.rst",
    "dnp3.al.iin.ebo",
    "dnp3.al.iin.tsr",
    "_ws.malformed",
    "_ws.expert.message",
];

fn packets<'a>(
    device: usize,
    sent: impl IntoIterator<Item = Sent> + 'a,
) -> impl Iterator<Item = Packet> + 'a {
    let device = u8::try_from(device).unwrap();
    sent.into_iter().map(move |sent| Packet { device, sent })
}

/// What the poller said to outstations.
#[derive(Debug, Default)]
struct Told {
    /// Objects, by function.
    objects: BTreeMap<u64, BTreeSet<u64>>,
    /// Fragments, by function.
    counts: BTreeMap<u64, u32>,
    /// Functions of the link layer.
    primary: BTreeSet<u64>,
    secondary: BTreeSet<u64>,
}

/// Of all DNP3, by the address of the outstation.
pub(crate) fn of_dnp3(records: &[(u16, Vec<Sent>)]) {
    let told = told(records);
    println!("to outstations, by function: {:?}", told.counts);
    // Table 4-2. There is no 3 to 6 (select, operate), 7 to 12 (freeze), 13 to 19 (restart and the like), 22 (assign class), 25 to 33.
    // Of objects there are attributes, time, classes and, to be written, time and the restart indication.
    let permitted: [(u64, &[u64]); 7] = [
        (0, &[]),
        (1, &[0x00FE, 0x3201, 0x3C01, 0x3C02, 0x3C03, 0x3C04]),
        (2, &[0x3201, 0x3203, 0x5001]),
        (20, &[0x3C02, 0x3C03, 0x3C04]),
        (21, &[0x3C02, 0x3C03, 0x3C04]),
        (23, &[]),
        (24, &[]),
    ];
    let permitted = permitted.map(|(function, objects)| (function, objects.iter().copied().collect()));
    assert_eq!(told.objects, BTreeMap::from(permitted));
    // Tables 9-1 and 9-2: unconfirmed user data and requests for link status; and what a secondary station answers.
    assert!(told.primary.contains(&4) && told.primary.is_subset(&BTreeSet::from([4, 9])), "{told:?}");
    assert_eq!(told.secondary, BTreeSet::from([0, 11, 15]));
    for (function, least) in [(0, 50), (1, 100), (2, 12), (20, 9), (21, 18), (23, 2), (24, 2)] {
        assert!(told.counts[&function] >= least, "{told:?}");
    }
    was_tried(records);
}

/// Has everything read that the poller said. It is frames without a fault, and fragments that are whole, from the master to the outstation of that
/// connection.
fn told(records: &[(u16, Vec<Sent>)]) -> Told {
    let ours: Vec<Packet> = records
        .iter()
        .enumerate()
        .flat_map(|(i, (_, sent))| packets(i, capture::messages(sent, capture::dnp3_frame)))
        .collect();
    let mut told = Told::default();
    for (packet, said) in ours.iter().zip(dissect(dissection::DNP3, &ours, &FIELDS)) {
        let (bytes, of) = (&packet.sent.bytes, |field| said.numbers(field));
        let address = records[usize::from(packet.device)].0;
        assert_eq!(said.all("dnp3.start").len(), 1, "{said:?} {bytes:02X?}");
        assert_eq!((of("dnp3.ctl.dir"), of("dnp3.src")), (vec![1], vec![u64::from(MASTER)]));
        assert_eq!(of("dnp3.dst"), [u64::from(address)]);
        let sums = [of("dnp.hdr.CRC.status"), of("dnp.data_chunk.CRC.status")].concat();
        assert_eq!(sums, vec![GOOD; 1 + (bytes.len() - 10).div_ceil(18)], "{bytes:02X?}");
        told.primary.extend(of("dnp3.ctl.prifunc"));
        told.secondary.extend(of("dnp3.ctl.secfunc"));
        let functions = of("dnp3.al.func");
        assert_eq!(functions.len(), usize::from(bytes.len() > 10), "{said:?} {bytes:02X?}");
        // it looks for a transport header in some of the link layer's own frames, which have no user data (tables 9-1 and 9-2), and complains
        for function in functions {
            assert_eq!((of("dnp3.al.fir"), of("dnp3.al.fin")), (vec![1], vec![1]));
            let complaints = [said.all("_ws.malformed"), said.all("_ws.expert.message")].concat();
            assert!(complaints.is_empty(), "{said:?} {bytes:02X?}");
            *told.counts.entry(function).or_default() += 1;
            told.objects.entry(function).or_default().extend(of("dnp3.al.obj"));
            if function == 2 && of("dnp3.al.obj") == [0x5001] {
                assert_eq!(of("dnp3.al.point_index"), [7], "only the restart indication is written");
            }
        }
    }
    told
}

/// The outstations did what they had to do to make it hard, by the dissector's reading of what they said.
fn was_tried(records: &[(u16, Vec<Sent>)]) {
    let theirs: Vec<Packet> = records
        .iter()
        .enumerate()
        .flat_map(|(i, (_, sent))| packets(i, sent.iter().filter(|sent| !sent.from_master).cloned()))
        .collect();
    let said = dissect(dissection::DNP3, &theirs, &FIELDS);
    let count = |field: &'static str, wanted: fn(u64) -> bool| {
        said.iter().flat_map(|said| said.numbers(field)).filter(|number| wanted(*number)).count()
    };
    let wrong_sums = ["dnp.hdr.CRC.status", "dnp.data_chunk.CRC.status"]
        .map(|field| count(field, |sum| sum == BAD))
        .iter()
        .sum();
    let out_of_step: usize = records.iter().map(|(_, sent)| out_of_step(sent)).sum();
    let connections: u16 =
        records.iter().map(|(_, sent)| sent.iter().map(|sent| sent.connection).max().unwrap()).sum();
    let frame = |packet: &&Packet| capture::dnp3_frame(&packet.sent.bytes).is_some();
    for (what, found, least) in [
        ("responses", count("dnp3.al.func", |f| f == 129), 400),
        ("unsolicited responses", count("dnp3.al.func", |f| f == 130), 30),
        ("fragments that are no responses", count("dnp3.al.func", |f| f < 129), 10),
        ("restarts", count("dnp3.al.iin.rst", |bit| bit == 1), 12),
        ("overflows", count("dnp3.al.iin.ebo", |bit| bit == 1), 6),
        ("wishes for the time", count("dnp3.al.iin.tsr", |bit| bit == 1), 6),
        ("wrong check words", wrong_sums, 1),
        ("answers to other questions", out_of_step, 4),
        ("pieces that begin with no frame", theirs.iter().filter(|packet| !frame(packet)).count(), 6),
        ("connections", connections.into(), 4 * records.len()),
    ] {
        println!("{found} {what}");
        assert!(found >= least, "only {found} {what}");
    }
}

/// How many answers with objects bear another number than the last question: late ones, and wrong ones.
fn out_of_step(sent: &[Sent]) -> usize {
    let (mut asked, mut count) = (None, 0);
    for sent in sent {
        // link header, transport header, application control, function (confirmations ask nothing)
        let [5, 0x64, length, _, _, _, _, _, _, _, _, control, function, ..] = sent.bytes[..] else {
            continue;
        };
        let number = control & 0x0F;
        match (sent.from_master, function) {
            (true, 1..) => asked = Some(number),
            // by its length, 10 without objects; a flood consists of such
            (false, 129) if length > 10 => count += usize::from(asked.is_some_and(|asked| asked != number)),
            _ => {}
        }
    }
    count
}

/// Of all Modbus, device by device.
pub(crate) fn of_modbus(records: &[Vec<Sent>]) {
    let counts = asked(records);
    println!("to Modbus devices, by function: {counts:?}");
    // Modbus Application Protocol V1.1b3, 6.1 to 6.4: coils, discrete inputs, holding and input registers are read. The profiles of these devices have
    // points in all four tables.
    assert_eq!(counts.keys().copied().collect::<Vec<_>>(), [1, 2, 3, 4]);
    assert!(counts.values().all(|count| *count > 10), "{counts:?}");
}

/// Has every request read: how many there were of each function.
fn asked(records: &[Vec<Sent>]) -> BTreeMap<u64, u32> {
    let ours: Vec<Packet> = records
        .iter()
        .enumerate()
        .flat_map(|(i, sent)| packets(i, capture::messages(sent, capture::modbus_request)))
        .collect();
    let fields = ["mbtcp.prot_id", "mbtcp.len", "modbus.func_code", "_ws.malformed", "_ws.expert.message"];
    let mut counts: BTreeMap<u64, u32> = BTreeMap::new();
    for (packet, said) in ours.iter().zip(dissect(dissection::MODBUS, &ours, &fields)) {
        let of = |field| said.numbers(field);
        // unit, function, address and number of items
        assert_eq!((of("mbtcp.prot_id"), of("mbtcp.len")), (vec![0], vec![6]), "{said:?}");
        assert_eq!(packet.sent.bytes.len(), 12);
        let complaints = [said.all("_ws.malformed"), said.all("_ws.expert.message")].concat();
        assert!(complaints.is_empty(), "{said:?}");
        let [function] = of("modbus.func_code")[..] else { panic!("{said:?}") };
        *counts.entry(function).or_default() += 1;
    }
    counts
}

/// If the poller ever said such a thing, it would be seen: an output is operated directly (function 5, object 12v1; clause 10.2), a register is written
/// (function 6).
#[test]
fn an_operation_would_be_seen() {
    let mut bytes = vec![];
    let header = Header {
        control: Control::from_byte(0xC4),
        source: Address::from_wire(MASTER),
        destination: Address::from_wire(10),
    };
    let operate = [0xC0, 0xC0, 5, 12, 1, 0x17, 1, 0, 0x41, 1, 100, 0, 0, 0, 100, 0, 0, 0, 0];
    link::encode(header, &operate, &mut bytes);
    let sent = |bytes| vec![Sent { at: 0, from_master: true, connection: 1, bytes }];
    let told = told(&[(10, sent(bytes))]);
    assert_eq!(told.objects, BTreeMap::from([(5, BTreeSet::from([0x0C01]))]));
    let write = vec![0, 1, 0, 0, 0, 6, 1, 6, 0, 10, 0, 1];
    assert_eq!(asked(&[sent(write)]), BTreeMap::from([(6, 1)]));
}
