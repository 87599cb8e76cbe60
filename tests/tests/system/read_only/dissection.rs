//! tshark reads a capture.

use std::collections::HashMap;
use std::process::Command;

use super::capture::{self, Packet};

/// The assigned ports, by which it knows the protocols.
pub(crate) const DNP3: u16 = 20_000;
pub(crate) const MODBUS: u16 = 502;

/// What it says of one packet: the values of each field in the order in which they come.
#[derive(Debug)]
pub(crate) struct Said(HashMap<&'static str, Vec<String>>);

impl Said {
    pub(crate) fn all(&self, field: &str) -> &[String] {
        &self.0[field]
    }

    pub(crate) fn numbers(&self, field: &str) -> Vec<u64> {
        self.all(field).iter().map(|text| number(text)).collect()
    }
}

fn number(text: &str) -> u64 {
    match (text.strip_prefix("0x"), text) {
        (Some(digits), _) => u64::from_str_radix(digits, 16).unwrap(),
        // newer versions write these words, older ones numbers
        (None, "True") => 1,
        (None, "False") => 0,
        (None, text) => text.parse().unwrap_or_else(|_| panic!("{text} is no number")),
    }
}

/// Has packets read and returns what it says of each in these fields.
///
/// # Panics
/// When it is not installed, or cannot read the capture.
pub(crate) fn dissect(port: u16, packets: &[Packet], fields: &[&'static str]) -> Vec<Said> {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("capture.pcap");
    capture::write(&file, port, packets);
    let mut command = Command::new("tshark");
    // neither the user's settings nor the place should matter
    command.env("WIRESHARK_CONFIG_DIR", folder.path()).env("TZ", "UTC").env("LC_ALL", "C");
    let protocol = if port == DNP3 { "dnp3" } else { "mbtcp" };
    command.arg("-r").arg(&file).args(["-n", "-d", &format!("tcp.port=={port},{protocol}")]);
    command.args(["-T", "fields", "-E", "separator=/t", "-E", "occurrence=a", "-E", "aggregator=;"]);
    command.args(fields.iter().flat_map(|field| ["-e", field]));
    let output = command.output().unwrap_or_else(|error| {
        panic!("no dissector: {error}; run `scripts/set-up dissector` (`make test` does)")
    });
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).unwrap();
    let said: Vec<Said> = text.lines().map(|line| read(line, fields)).collect();
    assert_eq!(said.len(), packets.len());
    said
}

fn read(line: &str, fields: &[&'static str]) -> Said {
    let values = line.split('\t').map(|values| match values {
        "" => vec![],
        values => values.split(';').map(str::to_owned).collect(),
    });
    Said(fields.iter().copied().zip(values).collect())
}
