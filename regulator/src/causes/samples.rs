//! The last minutes of one regulator, as its causes are read from them.

use std::collections::VecDeque;

use super::Facts;
use crate::{
    Timestamp,
    compensator::{Compensator, PerUnitCurrent},
    operations::State,
};

/// How long samples are kept, s.
const KEPT_S: f64 = 1800.0;
/// At most this many; where readings come faster they are thinned.
const KEPT: usize = 360;

/// Load through the regulator, per unit of its throughput rating.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Load {
    pub(super) real: f64,
    pub(super) reactive: f64,
    /// From power; else from current, which has no direction and no angle.
    pub(super) by_power: bool,
    pub(super) has_reactive: bool,
}

impl Load {
    fn of(facts: &Facts, state: &State) -> Option<Self> {
        let by_power = state.real_power_kw.is_some();
        let real = state.real_power_kw.map(|kw| kw / facts.kva);
        let real = real.or_else(|| state.current_a.map(|a| a / facts.rated_current_a))?;
        let reactive = state.reactive_power_kvar.filter(|_| by_power).map(|kvar| kvar / facts.kva);
        Some(Self { real, reactive: reactive.unwrap_or(0.0), by_power, has_reactive: reactive.is_some() })
    }

    /// Real and reactive change since `earlier`; none where the two are not of one kind.
    pub(super) fn since(&self, earlier: &Self) -> Option<(f64, f64)> {
        let same = self.by_power == earlier.by_power && self.has_reactive == earlier.has_reactive;
        same.then_some((self.real - earlier.real, self.reactive - earlier.reactive))
    }
}

/// One reading, worked out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Sample {
    pub(super) at: Timestamp,
    pub(super) tap: Option<i32>,
    /// Source voltage; where it is not measured, the load voltage over the ratio of the tap. V.
    pub(super) supply_v: Option<f64>,
    /// What the compensator adds to the load voltage, V.
    pub(super) compensation_v: f64,
    /// What the control holds, V.
    pub(super) relay_v: Option<f64>,
    /// Lower and upper edge of the band, V.
    pub(super) band: Option<(f64, f64)>,
    pub(super) delay_s: Option<f64>,
    pub(super) load: Option<Load>,
    pub(super) automatic: Option<bool>,
}

impl Sample {
    pub(super) fn of(facts: &Facts, at: Timestamp, tap: Option<i32>, state: &State) -> Self {
        let ratio = tap.map(|tap| facts.changer.ratio(tap.into()));
        let implied = || Some(state.load_voltage_v? / ratio?);
        let compensation_v = compensation(facts, state);
        let band = state
            .set_voltage_v
            .zip(state.bandwidth_v)
            .map(|(set, width)| (set - width / 2.0, set + width / 2.0));
        Self {
            at,
            tap,
            supply_v: state.source_voltage_v.or_else(implied),
            compensation_v: compensation_v.unwrap_or(0.0),
            relay_v: state.load_voltage_v.zip(compensation_v).map(|(load, add)| load + add),
            band,
            delay_s: state.delay_s,
            load: Load::of(facts, state),
            automatic: state.automatic,
        }
    }

    /// What the control would hold if the tap were `tap`, V.
    pub(super) fn held_v(&self, facts: &Facts, tap: Option<i32>) -> Option<f64> {
        let ratio = tap.map_or(1.0, |tap| facts.changer.ratio(tap.into()));
        Some(self.supply_v? * ratio + self.compensation_v)
    }
}

/// Volts that the compensator adds to the load voltage; none where it is in use and the power that it needs is not reported.
fn compensation(facts: &Facts, state: &State) -> Option<f64> {
    let settings = Compensator {
        resistance_v: state.compensator_r_v.unwrap_or(0.0),
        reactance_v: state.compensator_x_v.unwrap_or(0.0),
    };
    if settings == Compensator::OFF {
        return Some(0.0);
    }
    let load_v = state.load_voltage_v?;
    let per_unit = |kilo: f64| kilo * 1000.0 / (load_v * facts.volts_per_secondary_volt) / facts.ct_primary_a;
    let current = PerUnitCurrent {
        in_phase: per_unit(state.real_power_kw?),
        lagging: per_unit(state.reactive_power_kvar.unwrap_or(0.0)),
    };
    Some(settings.relay_voltage(load_v, current) - load_v)
}

/// The samples of the last half hour, oldest first.
#[derive(Debug, Clone, Default)]
pub(super) struct Samples {
    ring: VecDeque<Sample>,
}

impl Samples {
    pub(super) fn push(&mut self, sample: Sample, keep: bool) {
        #[allow(clippy::cast_precision_loss, reason = "a small constant")]
        let closest_s = KEPT_S / KEPT as f64;
        let crowded = self.ring.len() > 1
            && self
                .ring
                .get(self.ring.len() - 2)
                .is_some_and(|last| crate::seconds(last.at, sample.at) < closest_s);
        if crowded && !keep {
            self.ring.pop_back();
        }
        self.ring.push_back(sample);
        while self.ring.len() > 2 * KEPT
            || self.ring.front().is_some_and(|first| crate::seconds(first.at, sample.at) > KEPT_S)
        {
            self.ring.pop_front();
        }
    }

    pub(super) fn last(&self) -> Option<&Sample> {
        self.ring.back()
    }

    /// Not later than `to`, latest first.
    pub(super) fn back_from(&self, to: Timestamp) -> impl Iterator<Item = &Sample> {
        self.ring.iter().rev().skip_while(move |s| s.at > to)
    }

    /// The last not later than `at`.
    pub(super) fn before(&self, at: Timestamp) -> Option<&Sample> {
        self.back_from(at).next()
    }

    /// The first not earlier than `at`.
    pub(super) fn after(&self, at: Timestamp) -> Option<&Sample> {
        let place = self.ring.partition_point(|s| s.at < at);
        self.ring.get(place)
    }
}
