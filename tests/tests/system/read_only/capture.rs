//! What was said, as a capture file that any dissector reads: the classic pcap format with bare IPv4 packets (link type 101). No privileges are needed
//! for it, as they would be to listen on an interface.

use std::collections::{BTreeMap, HashMap};
use std::path::Path;

/// The masters' ports: one for each connection.
const FIRST_CLIENT: u16 = 30_000;

/// What was sent at once.
#[derive(Debug, Clone)]
pub(crate) struct Sent {
    /// Milliseconds since 1970.
    pub(crate) at: u64,
    pub(crate) from_master: bool,
    /// Number of the connection to this device.
    pub(crate) connection: u16,
    pub(crate) bytes: Vec<u8>,
}

/// A packet of a capture.
#[derive(Debug, Clone)]
pub(crate) struct Packet {
    /// Number of the device.
    pub(crate) device: u8,
    pub(crate) sent: Sent,
}

/// The length of the link frame that begins here, by its third byte (IEEE 1815, clause 9.2.4.1): user data in blocks of 16 bytes, each with a check
/// word. None if it is no frame.
pub(crate) fn dnp3_frame(bytes: &[u8]) -> Option<usize> {
    let [5, 0x64, length, ..] = bytes else { return None };
    let user_data = usize::from(*length).checked_sub(5)?;
    Some(10 + user_data + 2 * user_data.div_ceil(16))
}

/// The length of the request that begins here, by the fifth and sixth byte of its header (MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3).
/// None if the protocol is another.
pub(crate) fn modbus_request(bytes: &[u8]) -> Option<usize> {
    let [_, _, 0, 0, high, low, ..] = bytes else { return None };
    Some(6 + usize::from(u16::from_be_bytes([*high, *low])))
}

/// Cuts what the master said on each connection into messages, whose length `length` tells.
///
/// # Panics
/// When it is anything but whole messages.
pub(crate) fn messages(sent: &[Sent], length: fn(&[u8]) -> Option<usize>) -> Vec<Sent> {
    let mut rest: BTreeMap<u16, Vec<u8>> = BTreeMap::new();
    let mut messages = vec![];
    for sent in sent.iter().filter(|sent| sent.from_master) {
        let bytes = rest.entry(sent.connection).or_default();
        bytes.extend_from_slice(&sent.bytes);
        while let Some(length) = length(bytes).filter(|length| *length <= bytes.len()) {
            let message = bytes.drain(..length).collect();
            messages.push(Sent { bytes: message, ..sent.clone() });
        }
    }
    rest.retain(|_, bytes| !bytes.is_empty());
    assert!(rest.is_empty(), "left of what the master said, by connection: {rest:02X?}");
    messages
}

/// Writes a capture. The devices have this port in it.
pub(crate) fn write(path: &Path, port: u16, packets: &[Packet]) {
    let mut file = vec![];
    // magic, version 2.4, time zone and accuracy, longest packet, link type
    for word in [0xA1B2_C3D4_u32, 0x0004_0002, 0, 0, 65_535, 101] {
        file.extend_from_slice(&word.to_le_bytes());
    }
    let mut sequences = HashMap::new();
    for packet in packets {
        let Packet { device, sent } = packet;
        let mut next =
            |from_master: bool| *sequences.entry((from_master, *device, sent.connection)).or_insert(1_u32);
        let (sequence, acknowledged) = (next(sent.from_master), next(!sent.from_master));
        let bytes = ipv4(packet, port, sequence, acknowledged);
        let length = u32::try_from(bytes.len()).unwrap();
        let (seconds, micros) = (sent.at / 1_000, sent.at % 1_000 * 1_000);
        for word in [u32::try_from(seconds).unwrap(), u32::try_from(micros).unwrap(), length, length] {
            file.extend_from_slice(&word.to_le_bytes());
        }
        file.extend_from_slice(&bytes);
        let said = u32::try_from(sent.bytes.len()).unwrap();
        sequences.insert((sent.from_master, *device, sent.connection), sequence.wrapping_add(said));
    }
    std::fs::write(path, file).unwrap();
}

/// IPv4 and TCP around what was sent. Their own check sums are left zero, as on a machine whose network card works them out.
fn ipv4(packet: &Packet, port: u16, sequence: u32, acknowledged: u32) -> Vec<u8> {
    let Packet { device, sent } = packet;
    let master = ([10, 0, 0, 1], FIRST_CLIENT + sent.connection);
    let device = ([10, 0, 1, *device], port);
    let (from, to) = if sent.from_master { (master, device) } else { (device, master) };
    let length = u16::try_from(40 + sent.bytes.len()).unwrap();
    // version and header length, service, length, identification, fragment, time to live, TCP, check sum
    let mut bytes = vec![0x45, 0];
    bytes.extend_from_slice(&length.to_be_bytes());
    bytes.extend_from_slice(&[0, 0, 0x40, 0, 64, 6, 0, 0]);
    bytes.extend_from_slice([from.0, to.0].as_flattened());
    [from.1, to.1].iter().for_each(|port| bytes.extend_from_slice(&port.to_be_bytes()));
    bytes.extend_from_slice(&sequence.to_be_bytes());
    bytes.extend_from_slice(&acknowledged.to_be_bytes());
    // header length, PSH and ACK, window, check sum, urgent
    bytes.extend_from_slice(&[0x50, 0x18, 0xFF, 0xFF, 0, 0, 0, 0]);
    bytes.extend_from_slice(&sent.bytes);
    bytes
}
