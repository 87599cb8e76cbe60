//! What tshark reads, in the form in which values are compared.

use dnp3::objects::Kind;

use crate::dissector::Packet;
use crate::told::{Told, flag_bits};

macro_rules! flag_fields {
    ($name:literal) => {
        [
            concat!("dnp3.al.", $name, ".b0"),
            concat!("dnp3.al.", $name, ".b1"),
            concat!("dnp3.al.", $name, ".b2"),
            concat!("dnp3.al.", $name, ".b3"),
            concat!("dnp3.al.", $name, ".b4"),
            concat!("dnp3.al.", $name, ".b5"),
            concat!("dnp3.al.", $name, ".b6"),
            concat!("dnp3.al.", $name, ".b7"),
        ]
    };
}
/// Where it puts flags: a name for each group of kinds, and a field for each bit.
const FLAGS: [[&str; 8]; 5] = [
    flag_fields!("biq"),
    flag_fields!("boq"),
    flag_fields!("ctrq"),
    flag_fields!("aiq"),
    flag_fields!("aoq"),
];

/// Where it puts numbers, whatever their width.
const NUMBERS: [&str; 9] = [
    "dnp3.al.bit",
    "dnp3.al.2bit",
    "dnp3.al.cnt",
    "dnp3.al.ana.int",
    "dnp3.al.ana.float",
    "dnp3.al.ana.double",
    "dnp3.al.anaout.int",
    "dnp3.al.anaout.float",
    "dnp3.al.anaout.double",
];
const OTHERS: [&str; 5] = [
    "dnp3.al.index",
    "dnp3.al.point_index",
    "dnp3.al.octet_string",
    "dnp3.al.timestamp",
    "dnp3.al.reltimestamp",
];

/// Everything that is needed to compare values.
pub(crate) fn fields() -> Vec<&'static str> {
    FLAGS.as_flattened().iter().chain(&NUMBERS).chain(&OTHERS).copied().collect()
}

/// The values of a fragment that holds objects of one group alone, behind at most one common time.
pub(crate) fn told(packet: &Packet) -> Vec<Told> {
    let group = packet.whole("dnp3.al.obj").last().unwrap() >> 8;
    let of = |kind: &&Kind| [kind.static_group(), kind.event_group()].map(u64::from).contains(&group);
    let kind = *Kind::ALL.iter().find(of).unwrap();
    let event = u64::from(kind.event_group()) == group;
    // an event's index is written before it; that of a present value is worked out
    let indices = packet.whole(if event { "dnp3.al.index" } else { "dnp3.al.point_index" });

    let bytes: Vec<u8> =
        FLAGS.iter().map(|bits| flag_bytes(packet, bits)).find(|b| !b.is_empty()).unwrap_or_default();
    let states =
        || bytes.iter().map(|byte| f64::from(byte >> if kind == Kind::DoubleBit { 6 } else { 7 })).collect();
    let numbers = NUMBERS.iter().map(|field| packet.numbers(field)).find(|numbers| !numbers.is_empty());
    let numbers: Vec<f64> = numbers.unwrap_or_else(states);
    let octets = packet.all("dnp3.al.octet_string");
    let (absolute, relative) = (packet.times("dnp3.al.timestamp"), packet.numbers("dnp3.al.reltimestamp"));
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "at most 65 s")]
    let since = |seconds: &f64| absolute[0] + (seconds * 1_000.0).round() as u64;
    let times = if relative.is_empty() { absolute.clone() } else { relative.iter().map(since).collect() };
    for list in [numbers.len(), octets.len(), bytes.len(), times.len()] {
        assert!(list == 0 || list == indices.len(), "{packet:?}");
    }
    let values = indices.iter().enumerate().map(|(i, index)| Told {
        kind,
        index: u16::try_from(*index).unwrap(),
        number: numbers.get(i).copied().unwrap_or_default(),
        octets: octets.get(i).map(|digits| from_hex(digits)).unwrap_or_default(),
        flags: bytes.get(i).map(|byte| byte & flag_bits(kind)),
        time: times.get(i).copied(),
    });
    values.collect()
}

fn flag_bytes(packet: &Packet, bits: &[&'static str; 8]) -> Vec<u8> {
    let bits: Vec<Vec<u64>> = bits.iter().map(|field| packet.whole(field)).collect();
    let byte = |i: usize| bits.iter().enumerate().fold(0, |byte, (bit, values)| byte | values[i] << bit);
    (0..bits[0].len()).map(|i| u8::try_from(byte(i)).unwrap()).collect()
}

fn from_hex(digits: &str) -> Vec<u8> {
    let digits: Vec<u32> = digits.chars().filter_map(|c| c.to_digit(16)).collect();
    digits.chunks(2).map(|pair| u8::try_from(pair[0] * 16 + pair[1]).unwrap()).collect()
}

/// A number as it prints a single-precision one: with six digits, in older versions.
pub(crate) fn six_digits(number: f64) -> f64 {
    format!("{number:.5e}").parse().unwrap()
}
