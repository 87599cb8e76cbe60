//! What both sides say, kept as a capture file that any dissector reads: the classic pcap format with bare IPv4 packets (link type 101).

use std::path::Path;

/// Which TCP port the outstation has in the capture: the one that is assigned to DNP3.
pub(crate) const PORT: u16 = 20_000;
/// The masters' ports: one for each connection.
const FIRST_CLIENT: u16 = 30_000;

/// One link frame, or whatever else was sent at once.
#[derive(Debug, Clone)]
pub(crate) struct Sent {
    /// Milliseconds since 1970.
    pub(crate) at: u64,
    pub(crate) from_master: bool,
    /// Number of the connection.
    pub(crate) connection: u16,
    pub(crate) bytes: Vec<u8>,
}

/// Cuts what was sent into link frames, by the length in the third byte of each (clause 9.2.4.1): user data in blocks of 16 bytes, each with a
/// check word.
///
/// # Panics
/// When it is anything but whole frames.
pub(crate) fn frames(mut bytes: &[u8]) -> Vec<Vec<u8>> {
    let mut frames = vec![];
    while let [5, 0x64, length, ..] = bytes {
        let user_data = usize::from(*length) - 5;
        let (frame, rest) = bytes.split_at(10 + user_data + 2 * user_data.div_ceil(16));
        frames.push(frame.to_vec());
        bytes = rest;
    }
    assert!(bytes.is_empty(), "{bytes:02X?}");
    frames
}

/// Writes a capture, one packet for each item.
pub(crate) fn write(path: &Path, sent: &[Sent]) {
    let mut file = vec![];
    // magic, version 2.4, time zone and accuracy, longest packet, link type
    for word in [0xA1B2_C3D4_u32, 0x0004_0002, 0, 0, 65_535, 101] {
        file.extend_from_slice(&word.to_le_bytes());
    }
    let mut sequences = std::collections::HashMap::new();
    for sent in sent {
        let client = FIRST_CLIENT + sent.connection;
        let mut next = |from_master: bool| *sequences.entry((from_master, client)).or_insert(1_u32);
        let (sequence, acknowledged) = (next(sent.from_master), next(!sent.from_master));
        let packet = packet(sent, client, sequence, acknowledged);
        let length = u32::try_from(packet.len()).unwrap();
        let (seconds, micros) = (sent.at / 1_000, sent.at % 1_000 * 1_000);
        for word in [u32::try_from(seconds).unwrap(), u32::try_from(micros).unwrap(), length, length] {
            file.extend_from_slice(&word.to_le_bytes());
        }
        file.extend_from_slice(&packet);
        let sent_bytes = u32::try_from(sent.bytes.len()).unwrap();
        sequences.insert((sent.from_master, client), sequence.wrapping_add(sent_bytes));
    }
    std::fs::write(path, file).unwrap();
}

/// IPv4 and TCP around what was sent. Their own check sums are left zero, as on a machine whose network card works them out.
fn packet(sent: &Sent, client: u16, sequence: u32, acknowledged: u32) -> Vec<u8> {
    const MASTER: [u8; 4] = [10, 0, 0, 1];
    const OUTSTATION: [u8; 4] = [10, 0, 0, 2];
    let length = u16::try_from(40 + sent.bytes.len()).unwrap();
    // version and header length, service, length, identification, fragment, time to live, TCP, check sum
    let mut packet = vec![0x45, 0];
    packet.extend_from_slice(&length.to_be_bytes());
    packet.extend_from_slice(&[0, 0, 0x40, 0, 64, 6, 0, 0]);
    let (addresses, ports) = match sent.from_master {
        true => ([MASTER, OUTSTATION], [client, PORT]),
        false => ([OUTSTATION, MASTER], [PORT, client]),
    };
    packet.extend_from_slice(addresses.as_flattened());
    ports.iter().for_each(|port| packet.extend_from_slice(&port.to_be_bytes()));
    packet.extend_from_slice(&sequence.to_be_bytes());
    packet.extend_from_slice(&acknowledged.to_be_bytes());
    // header length, PSH and ACK, window, check sum, urgent
    packet.extend_from_slice(&[0x50, 0x18, 0xFF, 0xFF, 0, 0, 0, 0]);
    packet.extend_from_slice(&sent.bytes);
    packet
}
