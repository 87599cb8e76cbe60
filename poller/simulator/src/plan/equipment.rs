//! Ratings as they are bought: voltage classes, wires, current sizes.

use regulator::Nameplate;

/// The voltage a feeder is served at.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Service {
    /// What a regulator is connected across, V: line to neutral, or line to line on three wires.
    pub(crate) volts: f64,
    /// What the regulators are rated for, V.
    pub(crate) rated_voltage_v: f64,
    /// Three wires, no neutral: regulators are connected line to line.
    pub(crate) three_wire: bool,
}

impl Service {
    /// 12.47 kV, four wires.
    pub(crate) const KV_12: Self = Self { volts: 7200.0, rated_voltage_v: 7620.0, three_wire: false };
    /// 13.2 kV, four wires.
    pub(crate) const KV_13: Self = Self { volts: 7620.0, rated_voltage_v: 7620.0, three_wire: false };
    /// 24.9 kV, four wires.
    pub(crate) const KV_25: Self = Self { volts: 14_400.0, rated_voltage_v: 14_400.0, three_wire: false };
    /// 13.8 kV, three wires.
    pub(crate) const THREE_WIRE: Self = Self { volts: 13_800.0, rated_voltage_v: 13_800.0, three_wire: true };

    /// Primary volts per volt on the 120 V base.
    pub(crate) fn volts_per_v(self) -> f64 {
        self.volts / 120.0
    }
}

/// A line's conductor, by its impedance per kilometre (overhead lines, orders of magnitude by common practice).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Wire {
    Heavy,
    Light,
}

impl Wire {
    pub(crate) const fn ohm_per_km(self) -> (f64, f64) {
        match self {
            Self::Heavy => (0.28, 0.40),
            Self::Light => (0.60, 0.44),
        }
    }
}

/// CT primary rating for a rated current, A.
fn ct_primary(rated_current_a: f64) -> f64 {
    [100.0, 150.0, 200.0, 250.0].into_iter().find(|p| *p >= rated_current_a).unwrap_or(400.0)
}

/// The nameplate of a 32-step, type B unit of this size: its kVA is a tenth of what flows through it at rating.
pub(crate) fn nameplate(service: Service, rated_current_a: f64) -> Nameplate {
    Nameplate {
        kva: (service.rated_voltage_v * rated_current_a / 10_000.0 * 10.0).round() / 10.0,
        rated_current_a,
        rated_voltage_v: service.rated_voltage_v,
        pt_ratio: service.volts_per_v(),
        ct_ratio: ct_primary(rated_current_a) / 0.2,
        ..Nameplate::common()
    }
}
