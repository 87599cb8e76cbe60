//! A fleet file for the controls of a story.

use std::{fmt::Write, fs, path::PathBuf};

use tempfile::TempDir;

use crate::{Peer, output_of};

/// The profile of `tests/peers/control.py`, written from its description.
const CONTROL: &str = r#"
title = "A control for two regulators, layout of its own"
word_order = "little"
gap = 40

[[point]]
quantity = "load_voltage"
table = "input"
address = 7
type = "f32"
unit = "V"
valid = [0, 300]

[[point]]
quantity = "source_voltage"
table = "input"
address = 20
type = "u16"
scale = 0.1
unit = "V"
valid = [0, 300]
not_available = 0xFFFF

[[point]]
quantity = "current"
table = "input"
address = 31
type = "u16"
scale = 0.05
unit = "A"

[[point]]
quantity = "real_power"
table = "input"
address = 33
type = "i16"
scale = 0.5
unit = "kW"

[[point]]
quantity = "tap"
table = "input"
address = 34
type = "i16"

[[point]]
quantity = "operations"
table = "input"
address = 40
type = "u16"

[[point]]
quantity = "reactive_power"
table = "input"
address = 90
type = "i16"
unit = "kvar"

[[point]]
quantity = "set_voltage"
table = "holding"
address = 3
type = "u16"
scale = 0.01
unit = "V"

[[point]]
quantity = "automatic"
table = "discrete"
address = 5
type = "bit"
"#;

/// How far further on the second regulator of a control lies.
const STRIDE: u32 = 200;

/// A folder with a fleet file and the profiles it names.
#[derive(Debug)]
pub struct Inventory {
    folder: TempDir,
    rows: String,
    /// Controls so far.
    controls: u32,
    /// How often the regulators added next are polled, in seconds.
    pub poll_interval_s: f64,
}

impl Default for Inventory {
    fn default() -> Self {
        let folder = tempfile::Builder::new().prefix("tapkeeper-fleet-").tempdir().unwrap();
        fs::create_dir(folder.path().join("profiles")).unwrap();
        let rows = "substation,feeder,site,bank,connection,phase,kva,rated_current_a,rated_voltage_v,pt_ratio,ct_ratio,\
                    endpoint,unit,position,profile,poll_interval_s,time_zone\n";
        let inventory = Self { folder, rows: rows.into(), controls: 0, poll_interval_s: 0.2 };
        inventory.profile("control", &both_positions());
        inventory
    }
}

impl Inventory {
    /// Adds a profile.
    ///
    /// # Panics
    /// When it cannot be written.
    pub fn profile(&self, name: &str, text: &str) {
        fs::write(self.profiles().join(format!("{name}.toml")), text).unwrap();
    }

    /// Adds the two regulators of a control that answers at this port of 127.0.0.1, at a site of their own.
    pub fn control(&mut self, port: u16) {
        self.control_with("control", port);
    }

    /// Adds the two regulators of a control with this profile.
    pub fn control_with(&mut self, profile: &str, port: u16) {
        self.controls += 1;
        for (position, phase) in [(1, "A"), (2, "B")] {
            let (site, interval) = (self.controls, self.poll_interval_s);
            self.row(&format!(
                "Marsh Lane,ML 12,Site {site:02},Bank 1,wye,{phase},167,219,7620,63.5,1000,modbus-tcp://127.0.0.1:{port},1,\
                 {position},{profile},{interval},America/Denver"
            ));
        }
    }

    /// Adds a row as it stands.
    pub fn row(&mut self, row: &str) {
        writeln!(self.rows, "{row}").expect("a string takes everything");
    }

    /// Adds a control that is already running.
    #[must_use]
    pub fn with(mut self, peer: &Peer) -> Self {
        self.control(peer.port);
        self
    }

    /// Imports it into a database by the program's own command; what that said, on failure too.
    ///
    /// # Panics
    /// When the file cannot be written.
    pub fn import(&self, database_url: &str) -> Result<String, String> {
        let file = self.folder.path().join("fleet.csv");
        fs::write(&file, &self.rows).unwrap();
        let profiles = self.profiles();
        let (file, profiles) = (file.to_str().unwrap(), profiles.to_str().unwrap());
        let output =
            output_of(&["fleet", "import", file, "--profiles", profiles, "--database-url", database_url]);
        let said =
            format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
        if output.status.success() { Ok(said) } else { Err(said) }
    }

    /// The folder of the profiles.
    #[must_use]
    pub fn profiles(&self) -> PathBuf {
        self.folder.path().join("profiles")
    }
}

/// The control's profile, with every point a second time for the second regulator.
fn both_positions() -> String {
    let (head, first) = CONTROL.split_at(CONTROL.find("[[point]]").unwrap());
    let second: String = first
        .lines()
        .map(|line| match line.strip_prefix("address = ") {
            Some(address) => format!("address = {}\n", address.parse::<u32>().unwrap() + STRIDE),
            None if line == "[[point]]" => format!("{line}\nposition = 2\n"),
            None => format!("{line}\n"),
        })
        .collect();
    format!("{head}{first}{second}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_profile_is_sound() {
        let profile = poller::profile::Profile::parse("control.toml", &both_positions()).unwrap();
        assert_eq!(profile.positions(), [1, 2]);
    }
}
