//! What a probe of an outstation found, as tables for people and as JSON for programs.

use std::fmt;

use regulator::{Quality, Quantity};
use serde::Serialize;

use super::report::{shown, table};
use crate::endpoint::Identity;

/// All that a probe of an outstation found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OutstationReport {
    /// Where the device is.
    pub address: String,
    /// Link address of the outstation.
    pub unit: u16,
    /// Link address that the probe used as master.
    pub master: u16,
    /// The profile, as named by the caller.
    pub profile: String,
    /// The profile's title.
    pub title: String,
    /// What the device says it is.
    pub identity: Option<Identity>,
    /// What it says of itself, in words.
    pub indications: Option<String>,
    /// How far its clock is ahead of ours, milliseconds; none if it has none to show.
    pub clock_offset_ms: Option<i64>,
    /// From the request for everything to the first of the answer, milliseconds.
    pub latency_ms: Option<f64>,
    /// What went wrong, each on a line.
    pub errors: Vec<String>,
    /// Each point that the device reported, in the order in which it came.
    pub objects: Vec<ObjectReport>,
    /// Points of the profile that the device did not report.
    pub missing: Vec<String>,
}

/// One point as the device reported it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ObjectReport {
    /// What kind of object, as profiles call it.
    pub object: &'static str,
    /// Which of its kind.
    pub index: u16,
    /// The value as reported: a number, or 1 and 0, or 0 to 3 for a double-bit input, or text.
    pub raw: String,
    /// The flags as reported, in hexadecimal; none where the variation has none.
    pub flags: Option<String>,
    /// What the profile takes it for.
    pub quantities: Vec<QuantityReport>,
}

/// What the profile makes of an object.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct QuantityReport {
    /// Which of the control's regulators, 1 to 3.
    pub position: u8,
    /// Which quantity.
    pub quantity: Quantity,
    /// Its value, scaled; yes is 1, no is 0.
    pub value: Option<f64>,
    /// Unit of the value.
    pub unit: &'static str,
    /// How far to trust it.
    pub quality: Quality,
}

impl OutstationReport {
    /// Whether everything was answered.
    #[must_use]
    pub const fn all_answered(&self) -> bool {
        self.errors.is_empty()
    }
}

impl fmt::Display for OutstationReport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { address, unit, master, profile, title, .. } = self;
        writeln!(f, "{address} outstation {unit}, as master {master}, profile {profile}: {title}\n")?;
        self.about(f)?;
        for error in &self.errors {
            writeln!(f, "error        {error}")?;
        }
        writeln!(f)?;
        let rows = self.objects.iter().flat_map(|object| {
            let as_reported = move || {
                let flags = object.flags.clone().unwrap_or_else(|| "-".to_owned());
                vec![object.object.to_owned(), object.index.to_string(), object.raw.clone(), flags]
            };
            let unmapped =
                object.quantities.is_empty().then(|| [as_reported(), vec!["-".to_owned(); 4]].concat());
            let mapped = object.quantities.iter().map(move |q| {
                let made = vec![
                    q.position.to_string(),
                    q.quantity.title().to_owned(),
                    shown(q.quantity, q.value, q.unit),
                    q.quality.title().to_owned(),
                ];
                [as_reported(), made].concat()
            });
            unmapped.into_iter().chain(mapped)
        });
        table(f, &["object", "index", "raw", "flags", "position", "quantity", "value", "quality"], rows)?;
        for missing in &self.missing {
            writeln!(f, "not reported: {missing}")?;
        }
        Ok(())
    }
}

impl OutstationReport {
    /// What the device says of itself.
    fn about(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(identity) = &self.identity {
            for (what, text) in [
                ("manufacturer", &identity.manufacturer),
                ("model", &identity.model),
                ("software", &identity.software_version),
                ("hardware", &identity.hardware_version),
                ("serial", &identity.serial_number),
            ] {
                if let Some(text) = text {
                    writeln!(f, "{what:<12} {text}")?;
                }
            }
        }
        if let Some(indications) = &self.indications {
            writeln!(f, "indications  {indications}")?;
        }
        match self.clock_offset_ms {
            Some(ms) => writeln!(f, "clock        {ms:+} ms from ours")?,
            None => writeln!(f, "clock        not shown")?,
        }
        match self.latency_ms {
            Some(ms) => writeln!(f, "answered in  {ms:.1} ms"),
            None => Ok(()),
        }
    }
}
