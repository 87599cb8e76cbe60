//! What a probe found, as tables for people and as JSON for programs.

use std::fmt;

use regulator::{Quality, Quantity};
use serde::Serialize;

use crate::modbus::{ErrorKind, ReadRequest, Table};
use crate::profile::Point;

/// All that a probe found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ProbeReport {
    /// Where the device is.
    pub address: String,
    /// Its unit identifier.
    pub unit: u8,
    /// The profile, as named by the caller.
    pub profile: String,
    /// The profile's title.
    pub title: String,
    /// Each request, in the order sent.
    pub blocks: Vec<BlockReport>,
    /// Each point, in the order of the profile.
    pub points: Vec<PointReport>,
}

/// One request and how it went.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BlockReport {
    /// The table read.
    pub table: Table,
    /// First address, from 0.
    pub address: u16,
    /// Items asked for.
    pub count: u16,
    /// From sending to the answer or failure, milliseconds.
    pub latency_ms: f64,
    /// Why there is no data.
    pub error: Option<BlockError>,
}

/// Why a request brought no data.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct BlockError {
    /// What kind of failure.
    pub kind: ErrorKind,
    /// One line for people.
    pub text: String,
}

impl BlockReport {
    pub(super) fn new(request: ReadRequest, latency_ms: f64, error: Option<(ErrorKind, String)>) -> Self {
        Self {
            table: request.table(),
            address: request.address(),
            count: request.count(),
            latency_ms: (latency_ms * 10.0).round() / 10.0,
            error: error.map(|(kind, text)| BlockError { kind, text }),
        }
    }

    pub(super) fn error_kind(&self) -> Option<ErrorKind> {
        self.error.as_ref().map(|e| e.kind)
    }
}

/// One point: what was read and what it means.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PointReport {
    /// Which of the control's regulators, 1 to 3.
    pub position: u8,
    /// What it reports.
    pub quantity: Quantity,
    /// Where it is.
    pub table: Table,
    /// Its first address, from 0.
    pub address: u16,
    /// The registers as read, in hexadecimal, or the bit as 0 or 1; none if they could not be read.
    pub raw: Option<String>,
    /// The decoded value; yes is 1, no is 0.
    pub value: Option<f64>,
    /// Unit of the value.
    pub unit: &'static str,
    /// How far to trust it.
    pub quality: Quality,
}

impl PointReport {
    pub(super) fn new(point: &Point, words: Option<Vec<u16>>, value: Option<f64>, quality: Quality) -> Self {
        let hex = |words: Vec<u16>| words.iter().map(|w| format!("{w:04X}")).collect::<Vec<_>>().join(" ");
        let bit = |words: Vec<u16>| words.iter().map(u16::to_string).collect();
        Self {
            position: point.position,
            quantity: point.quantity,
            table: point.table,
            address: point.address,
            raw: words.map(|w| if point.table.holds_bits() { bit(w) } else { hex(w) }),
            value,
            unit: point.quantity.unit(),
            quality,
        }
    }

    fn shown(&self) -> String {
        shown(self.quantity, self.value, self.unit)
    }
}

/// A value for people.
pub(super) fn shown(quantity: Quantity, value: Option<f64>, unit: &str) -> String {
    match value {
        None => "-".to_owned(),
        Some(v) if quantity.is_flag() => if v == 0.0 { "no" } else { "yes" }.to_owned(),
        Some(v) if matches!(quantity, Quantity::Tap) => format!("{v:+}"),
        Some(v) if matches!(quantity, Quantity::Operations) => format!("{v}"),
        Some(v) if matches!(quantity, Quantity::PowerFactor) => format!("{v:.3}"),
        Some(v) => format!("{v:.2} {unit}"),
    }
}

impl ProbeReport {
    /// Whether every request was answered.
    #[must_use]
    pub fn all_answered(&self) -> bool {
        self.blocks.iter().all(|b| b.error.is_none())
    }
}

impl fmt::Display for ProbeReport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{} unit {}, profile {}: {}\n", self.address, self.unit, self.profile, self.title)?;
        let blocks = self.blocks.iter().map(|b| {
            let last = u32::from(b.address) + u32::from(b.count) - 1;
            let went = match &b.error {
                None => "answered".to_owned(),
                Some(error) => format!("{}: {}", error.kind.name(), error.text),
            };
            vec![
                b.table.name().to_owned(),
                format!("{}-{last}", b.address),
                format!("{:.1} ms", b.latency_ms),
                went,
            ]
        });
        table(f, &["table", "addresses", "took", "request"], blocks)?;
        writeln!(f)?;
        let points = self.points.iter().map(|p| {
            vec![
                p.position.to_string(),
                p.quantity.title().to_owned(),
                p.table.name().to_owned(),
                p.address.to_string(),
                p.raw.clone().unwrap_or_else(|| "-".to_owned()),
                p.shown(),
                p.quality.title().to_owned(),
            ]
        });
        table(f, &["position", "quantity", "table", "address", "raw", "value", "quality"], points)
    }
}

/// Left-aligned columns, two spaces apart.
pub(super) fn table(
    f: &mut fmt::Formatter<'_>,
    heading: &[&str],
    rows: impl Iterator<Item = Vec<String>>,
) -> fmt::Result {
    let mut lines = vec![heading.iter().map(|h| (*h).to_owned()).collect::<Vec<_>>()];
    lines.extend(rows);
    let width = |column: usize| lines.iter().map(|l| l[column].chars().count()).max().unwrap_or(0);
    let widths: Vec<_> = (0..heading.len()).map(width).collect();
    for line in &lines {
        let cells: Vec<_> = line.iter().zip(&widths).map(|(cell, w)| format!("{cell:<w$}")).collect();
        writeln!(f, "{}", cells.join("  ").trim_end())?;
    }
    Ok(())
}
