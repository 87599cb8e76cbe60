//! tshark reads a capture.

use std::collections::HashMap;
use std::process::Command;

use chrono::NaiveDateTime;

use crate::capture::{self, PORT, Sent};

/// What it must be asked for in every capture.
const ALWAYS: [&str; 7] = [
    "dnp3.al.obj",
    "dnp3.start",
    "tcp.stream",
    "_ws.malformed",
    "_ws.expert.message",
    "dnp.hdr.CRC.status",
    "dnp.data_chunk.CRC.status",
];
/// A check word that is right.
const GOOD: &str = "1";

/// What it says of one packet: the values of each field in the order in which they come.
#[derive(Debug)]
pub(crate) struct Packet {
    fields: HashMap<&'static str, Vec<String>>,
}

impl Packet {
    pub(crate) fn all(&self, field: &'static str) -> &[String] {
        &self.fields[field]
    }

    pub(crate) fn numbers(&self, field: &'static str) -> Vec<f64> {
        self.all(field).iter().map(|text| text.parse().unwrap_or_else(|_| panic!("{text}"))).collect()
    }

    pub(crate) fn whole(&self, field: &'static str) -> Vec<u64> {
        self.all(field).iter().map(|text| whole(text)).collect()
    }

    /// Milliseconds since 1970.
    pub(crate) fn times(&self, field: &'static str) -> Vec<u64> {
        self.all(field).iter().map(|text| time(text)).collect()
    }
}

fn whole(text: &str) -> u64 {
    match text.strip_prefix("0x") {
        Some(digits) => u64::from_str_radix(digits, 16).unwrap(),
        None if text == "True" => 1,
        None if text == "False" => 0,
        None => text.parse().unwrap(),
    }
}

/// Older and newer versions write times differently.
fn time(text: &str) -> u64 {
    let forms = ["%b %e, %Y %H:%M:%S%.f UTC", "%Y-%m-%dT%H:%M:%S%.fZ"];
    let parsed = forms.iter().find_map(|form| NaiveDateTime::parse_from_str(text, form).ok());
    let time = parsed.unwrap_or_else(|| panic!("{text}"));
    u64::try_from(time.and_utc().timestamp_millis()).unwrap()
}

/// Has a capture read, one packet for each link frame, and returns each frame with what it says of it in these fields. Nothing in it may be
/// malformed, no check word wrong, and it must have found as many frames as there are. What it does not know it need not read.
///
/// # Panics
/// When it is not installed, or has anything to complain of.
pub(crate) fn dissect(sent: &[Sent], fields: &[&'static str]) -> Vec<(Sent, Packet)> {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("capture.pcap");
    let frames: Vec<Sent> = sent
        .iter()
        .flat_map(|sent| capture::frames(&sent.bytes).into_iter().map(|bytes| Sent { bytes, ..sent.clone() }))
        .collect();
    capture::write(&file, &frames);
    if let Some(keep) = std::env::var_os("KEEP_CAPTURE") {
        std::fs::copy(&file, keep).unwrap();
    }
    let fields: Vec<&'static str> = ALWAYS.iter().chain(fields).copied().collect();
    let mut command = Command::new("tshark");
    // neither the user's settings nor the place should matter
    command.env("WIRESHARK_CONFIG_DIR", folder.path()).env("TZ", "UTC").env("LC_ALL", "C");
    command.arg("-r").arg(&file).args(["-n", "-d", &format!("tcp.port=={PORT},dnp3")]);
    command.args(["-T", "fields", "-E", "separator=/t", "-E", "occurrence=a", "-E", "aggregator=;"]);
    command.args(fields.iter().flat_map(|field| ["-e", field]));
    let output = command.output().unwrap_or_else(|error| {
        panic!("no dissector: {error}; run `scripts/set-up dissector` (`make test` does)")
    });
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).unwrap();
    let packets: Vec<Packet> = text.lines().map(|line| packet(line, &fields)).collect();
    assert_eq!(packets.len(), frames.len());
    let both: Vec<(Sent, Packet)> = frames.into_iter().zip(packets).collect();
    both.iter().for_each(|(frame, packet)| assert_sound(&frame.bytes, packet));
    both
}

fn packet(line: &str, fields: &[&'static str]) -> Packet {
    let values = line.split('\t').map(|values| match values {
        "" => vec![],
        values => values.split(';').map(str::to_owned).collect(),
    });
    Packet { fields: fields.iter().copied().zip(values).collect() }
}

fn assert_sound(bytes: &[u8], packet: &Packet) {
    assert_eq!(packet.all("dnp3.start").len(), 1, "{packet:?} {bytes:02X?}");
    let sums = packet.all("dnp.hdr.CRC.status").iter().chain(packet.all("dnp.data_chunk.CRC.status"));
    let blocks = (bytes.len() - 10).div_ceil(18);
    assert_eq!(sums.map(|sum| assert_eq!(sum, GOOD)).count(), 1 + blocks);
    // It looks for a transport header in frames that have no user data, unless they are for reset, acknowledgement or link status; none of the link
    // layer's own frames has any (tables 9-1 and 9-2). In some it reads what it does not know.
    if blocks == 0 || packet.whole("dnp3.al.obj").iter().any(|object| is_unknown(*object)) {
        return;
    }
    assert!(packet.all("_ws.malformed").is_empty(), "{packet:?} {bytes:02X?}");
    // it remarks on every indication that something is refused or lost, which says nothing of the frame
    let complaint = packet.all("_ws.expert.message").iter().find(|complaint| *complaint != "IIN Abnormality");
    assert_eq!(complaint, None, "{packet:?} {bytes:02X?}");
}

/// Objects that the standard defines and tshark 4.0 does not read, and so calls unknown or malformed: double-bit events with relative time
/// (annex A.5.3), frozen analogs but for floating point (A.15.1 to A.15.6), and their events (A.17.1 to A.17.4). The strange master reads the first of
/// them right, and steps over the others.
pub(crate) const fn is_unknown(object: u64) -> bool {
    matches!(object, 0x0403 | 0x1F01..=0x1F06 | 0x2101..=0x2104)
}
