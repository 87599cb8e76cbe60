//! What a control measures and reports of its regulator: the truth through its instrument transformers, with noise.
//!
//! The noise depends on regulator and instant alone, so asking twice gives the same answer and never disturbs the physics.

use regulator::{Quantity, Reading};

use super::Fleet;
use crate::chance::{hash2, normal};

/// Standard deviation of a voltage sample, V on the 120 V base.
const VOLTAGE_NOISE_V: f64 = 0.03;
/// Standard deviation of a current sample, per unit.
const CURRENT_NOISE: f64 = 0.002;
/// How long the drive takes for a step, seconds (common practice: a few).
const TRAVEL_S: i64 = 4;

impl Fleet {
    /// What the control has in its registers, before rounding.
    pub(crate) fn metered(&self, regulator: usize) -> Reading {
        let unit = &self.plan.regulators[regulator];
        let state = &self.state.units[regulator];
        let instant = self.state.now.timestamp_millis().cast_unsigned();
        let key = hash2(self.state.seed, hash2(regulator as u64, instant));
        let noise = |kind: u64| normal(hash2(key, kind));
        let [source_error, load_error, current_error] = unit.errors;
        let source = state.source_v * (1.0 + source_error) + VOLTAGE_NOISE_V * noise(0);
        let load = state.load_v * (1.0 + load_error) + VOLTAGE_NOISE_V * noise(1);
        let gain = (1.0 + current_error) * (1.0 + CURRENT_NOISE * noise(2));
        let (in_phase, lagging) = (state.in_phase_a * gain, state.lagging_a * gain);
        let current = in_phase.hypot(lagging);
        let kilovolts = load * unit.volts_per_v / 1000.0;
        let load_share = current / unit.nameplate.rated_current_a;
        // Orders of magnitude by common practice: rectifiers distort the voltage with the load they are a part of.
        let distortion = 1.0 + (1.6 + unit.distortion_percent) * load_share;
        let moves = state.moved_at.is_some_and(|at| (self.state.now - at).num_seconds() < TRAVEL_S);
        let flag = |yes: bool| f64::from(u8::from(yes));
        let forward = state.settings(&unit.settings).forward;
        #[allow(clippy::cast_precision_loss, reason = "a counter has at most 32 bits")]
        let counter = (state.counted % unit.nameplate.counter_modulus) as f64;
        Reading::new(self.state.now)
            .with(Quantity::LoadVoltage, load)
            .with(Quantity::SourceVoltage, source)
            .with(Quantity::Current, current)
            .with(Quantity::RealPower, kilovolts * in_phase)
            .with(Quantity::ReactivePower, kilovolts * lagging)
            .with(Quantity::PowerFactor, if current > 0.0 { in_phase / current } else { 1.0 })
            .with(Quantity::Tap, f64::from(state.tap + state.slipped))
            .with(Quantity::Operations, counter)
            .with(Quantity::Automatic, flag(!state.manual))
            .with(Quantity::Blocked, 0.0)
            .with(Quantity::AtNeutral, flag(state.tap == 0))
            .with(Quantity::ReverseFlow, flag(state.control.reversed()))
            .with(Quantity::SetVoltage, forward.set_voltage_v)
            .with(Quantity::Bandwidth, forward.bandwidth_v)
            .with(Quantity::TimeDelay, forward.delay_s)
            .with(Quantity::LdcResistance, forward.compensator.resistance_v)
            .with(Quantity::LdcReactance, forward.compensator.reactance_v)
            .with(Quantity::TapInProgress, flag(moves))
            .with(Quantity::VoltageDistortion, (distortion + 0.04 * noise(3)).max(0.1))
            // Their currents are a greater part of a small load.
            .with(Quantity::CurrentDistortion, (3.0 + 2.5 / (0.25 + load_share) + 0.15 * noise(4)).max(0.1))
    }
}
