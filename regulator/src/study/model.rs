//! What a replay assumes of the line and the load: how voltage and current would have been under another tap.
//!
//! At tap `n` the ratio is `r`. The current that the load draws follows its own voltage by the exponent `np` of its power (`P ~ V^np`: 0
//! constant power, 1 constant current, 2 constant impedance; the exponential load model of IEEE Task Force on Load Representation for
//! Dynamic Performance, "Load representation for dynamic performance analysis", 1993, from memory), so that it goes with `r^(np-1)` relative to neutral.
//! The source side carries `r` times the load side's current and sags by the source impedance, if that is given; the regulator's own
//! impedance, if given, takes its part of the load voltage. Drops are taken in line with the voltage, `R Ip + X Iq`: the usual
//! approximation (Kersting, Distribution System Modeling and Analysis, ch. 3, "K factors and approximate voltage drop", from memory).

use crate::taps::TapChanger;
use crate::{Nameplate, WindingType};

/// A series impedance, as the volts on the secondary base that rated CT primary current drops across it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SeriesDrop {
    /// In phase, V.
    pub resistance_v: f64,
    /// In quadrature, V.
    pub reactance_v: f64,
}

/// How voltage and current depend on the tap.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Model {
    /// The construction.
    pub changer: TapChanger,
    /// Exponent of the load's power over its voltage, 0 to 2 (`np` above).
    pub load_exponent: f64,
    /// Impedance between the regulator and a stiff source. Without it the source voltage is taken not to notice the tap.
    pub source: Option<SeriesDrop>,
    /// The regulator's own impedance. Without it the load voltage is the source voltage times the ratio.
    pub own: Option<SeriesDrop>,
    /// The voltage base of recording and settings, V: ranges that are given on 120 V are taken to it.
    pub voltage_base_v: f64,
}

impl Model {
    /// Constant-current load (`np` 1), no impedances.
    #[must_use]
    pub const fn new(changer: TapChanger) -> Self {
        Self { changer, load_exponent: 1.0, source: None, own: None, voltage_base_v: 120.0 }
    }

    /// The same for this nameplate.
    #[must_use]
    pub fn of(nameplate: &Nameplate) -> Self {
        Self { voltage_base_v: nameplate.voltage_base_v, ..Self::new(TapChanger::of(nameplate)) }
    }

    /// A range given on 120 V, on this base.
    pub(super) fn range_v(&self, (low, high): (f64, f64)) -> (f64, f64) {
        (low * self.voltage_base_v / 120.0, high * self.voltage_base_v / 120.0)
    }

    pub(super) const fn has_impedance(&self) -> bool {
        self.source.is_some() || self.own.is_some()
    }

    /// What multiplies the current at neutral, at this ratio.
    pub(super) fn current_factor(&self, ratio: f64) -> f64 {
        ratio.powf(self.load_exponent - 1.0)
    }
}

impl Default for Model {
    /// The common unit: type B, 32 steps.
    fn default() -> Self {
        Self::new(TapChanger::new(WindingType::B, 32))
    }
}

/// Factors at one tap.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct AtTap {
    pub(super) ratio: f64,
    /// Load-side current relative to neutral.
    pub(super) current: f64,
}

/// The factors of every tap that a run can meet.
#[derive(Debug, Clone)]
pub(super) struct TapTable {
    lowest: i32,
    at: Vec<AtTap>,
}

impl TapTable {
    pub(super) fn new(model: &Model, lowest: i32, highest: i32) -> Self {
        let at = |tap: i32| {
            let ratio = model.changer.ratio(f64::from(tap));
            AtTap { ratio, current: model.current_factor(ratio) }
        };
        Self { lowest, at: (lowest..=highest.max(lowest)).map(at).collect() }
    }

    #[inline]
    pub(super) fn at(&self, tap: i32) -> AtTap {
        let place = usize::try_from(tap - self.lowest).unwrap_or(0);
        self.at[place.min(self.at.len() - 1)]
    }
}
