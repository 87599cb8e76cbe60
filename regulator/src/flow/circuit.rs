//! A small closed circuit for tests: one source, two lines, a regulator of type A between them and a load at the far end, fed from
//! either side, by plain phasor arithmetic, with a control that closes the loop.
//!
//! The case is the one solved with OpenDSS (through OpenDSSDirect.py 0.9.4): single phase, 7.2 kV behind 0.05 + j0.5 ohm, a line of
//! 1 + j2 ohm on either side of the unit, 500 kW + j100 kvar of constant power at the far end, PT 60, 124 V, 2 V wide.

use chrono::TimeDelta;

use crate::{
    Nameplate, Quantity, Reading, Timestamp, WindingType,
    compensator::PerUnitCurrent,
    control::{Control, ControlSettings, Inputs},
    taps::TapChanger,
};

type Complex = (f64, f64);

fn mul(a: Complex, b: Complex) -> Complex {
    (a.0 * b.0 - a.1 * b.1, a.0 * b.1 + a.1 * b.0)
}

fn minus(a: Complex, b: Complex) -> Complex {
    (a.0 - b.0, a.1 - b.1)
}

fn times(a: Complex, k: f64) -> Complex {
    (a.0 * k, a.1 * k)
}

/// Current that a constant power takes at this voltage: the conjugate of S/V.
fn current(power: Complex, v: Complex) -> Complex {
    let square = v.0 * v.0 + v.1 * v.1;
    let (re, im) = mul(power, (v.0, -v.1));
    (re / square, -im / square)
}

/// The circuit.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Circuit {
    /// Whether the source is on the regulator's source side.
    pub(crate) from_source: bool,
    /// Power taken at the far end, W and var; negative where more is generated than used.
    pub(crate) load: Complex,
    /// The source's voltage, V.
    pub(crate) source_v: f64,
}

/// What is metered at the regulator: volts on the secondary base, kW and kvar from S to L.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Metered {
    pub(crate) source_v: f64,
    pub(crate) load_v: f64,
    pub(crate) power_kw: f64,
    pub(crate) reactive_kvar: f64,
}

const BEFORE: Complex = (1.05, 2.5);
const BEHIND: Complex = (1.0, 2.0);
const PT: f64 = 60.0;

impl Circuit {
    pub(crate) const fn fed_from_source() -> Self {
        Self { from_source: true, load: (500e3, 100e3), source_v: 7200.0 }
    }

    pub(crate) const fn fed_from_load() -> Self {
        Self { from_source: false, ..Self::fed_from_source() }
    }

    /// Solves it at a tap by fixed-point iteration.
    pub(crate) fn at(&self, tap: f64) -> Metered {
        let ratio = TapChanger::new(WindingType::A, 32).ratio(tap);
        // far side over near side, seen from the source
        let onward = if self.from_source { ratio } else { 1.0 / ratio };
        let mut end = (self.source_v, 0.0);
        let (mut near, mut far, mut out) = (end, end, (0.0, 0.0));
        for _ in 0..60 {
            out = current(self.load, end);
            near = minus((self.source_v, 0.0), mul(BEFORE, times(out, onward)));
            far = times(near, onward);
            end = minus(far, mul(BEHIND, out));
        }
        let (p, q) = mul(far, (out.0, -out.1));
        let sign = if self.from_source { 1e-3 } else { -1e-3 };
        let [near, far] = [near, far].map(|v| v.0.hypot(v.1) / PT);
        let (source_v, load_v) = if self.from_source { (near, far) } else { (far, near) };
        Metered { source_v, load_v, power_kw: p * sign, reactive_kvar: q * sign }
    }
}

/// The unit of the case: 500 kW are three quarters of what it can pass.
pub(crate) fn nameplate() -> Nameplate {
    Nameplate {
        kva: 66.7,
        rated_current_a: 92.6,
        rated_voltage_v: 7200.0,
        pt_ratio: PT,
        winding_type: WindingType::A,
        ..Nameplate::common()
    }
}

/// A circuit with a control that does not know of reverse power, polled every 10 s.
pub(crate) struct Loop {
    pub(crate) circuit: Circuit,
    pub(crate) settings: ControlSettings,
    pub(crate) tap: i32,
    pub(crate) at: Timestamp,
    control: Control,
}

impl Loop {
    pub(crate) fn new(circuit: Circuit, set_voltage_v: f64, tap: i32) -> Self {
        let mut settings = ControlSettings::common();
        settings.forward.set_voltage_v = set_voltage_v;
        let at = Timestamp::from_timestamp(1_767_225_600, 0).unwrap();
        Self { circuit, settings, tap, at, control: Control::new() }
    }

    /// The reading after ten more seconds.
    pub(crate) fn next(&mut self) -> Reading {
        self.at += TimeDelta::seconds(10);
        let seen = self.circuit.at(self.tap.into());
        let inputs = Inputs {
            load_voltage_v: seen.load_v,
            source_voltage_v: seen.source_v,
            current: PerUnitCurrent { in_phase: seen.power_kw / 667.0, lagging: 0.0 },
            tap: self.tap,
            automatic: true,
            blocked: false,
        };
        self.tap += self.control.step(&self.settings, 10.0, &inputs).steps();
        let seen = self.circuit.at(self.tap.into());
        let tenths = |v: f64| (v * 10.0).round() / 10.0;
        Reading::new(self.at)
            .with(Quantity::Tap, self.tap.into())
            .with(Quantity::LoadVoltage, tenths(seen.load_v))
            .with(Quantity::SourceVoltage, tenths(seen.source_v))
            .with(Quantity::RealPower, seen.power_kw)
            .with(Quantity::ReactivePower, seen.reactive_kvar)
            .with(Quantity::SetVoltage, self.settings.forward.set_voltage_v)
            .with(Quantity::Bandwidth, self.settings.forward.bandwidth_v)
    }

    /// Where it stands after some minutes.
    fn settle(&mut self) -> Metered {
        for _ in 0..180 {
            self.next();
        }
        self.circuit.at(self.tap.into())
    }
}

/// One line of a published number beside ours.
#[track_caller]
pub(crate) fn check(what: &str, source: &str, theirs: f64, ours: f64, tolerance: f64) {
    println!("CHECK | {what} | {source} | {theirs} | {ours:.3}");
    assert!((theirs - ours).abs() <= tolerance, "{what}: {ours} is not {theirs}");
}

#[cfg(test)]
mod tests {
    use super::*;

    const OPENDSS: &str = "OpenDSS (OpenDSSDirect.py 0.9.4), inputs in flow/circuit.rs";

    /// Tolerances: OpenDSS builds the unit as a transformer with a small impedance of its own, ours is ideal.
    #[test]
    fn fed_from_the_source_side_it_settles_in_band() {
        let mut l = Loop::new(Circuit::fed_from_source(), 124.0, 0);
        let end = l.settle();
        check("tap at which a unit fed from S settles", OPENDSS, 7.0, l.tap.into(), 0.0);
        check("source voltage at tap 7, fed from S, V", OPENDSS, 118.08, end.source_v, 0.05);
        check("load voltage at tap 7, fed from S, V", OPENDSS, 123.22, end.load_v, 0.05);
        check("power at tap 7, fed from S, kW", OPENDSS, 504.9, end.power_kw, 0.5);
    }

    #[test]
    fn fed_from_the_load_side_it_runs_to_the_end() {
        let mut l = Loop::new(Circuit::fed_from_load(), 124.0, 0);
        let end = l.settle();
        check("tap at which a unit fed from L ends", OPENDSS, 16.0, l.tap.into(), 0.0);
        check("source voltage at tap 16, fed from L, V", OPENDSS, 107.30, end.source_v, 0.1);
        check("load voltage at tap 16, fed from L, V", OPENDSS, 118.05, end.load_v, 0.1);
        check("power at tap 16, fed from L, kW", OPENDSS, -506.5, end.power_kw, 0.6);
        let start = Circuit::fed_from_load().at(0.0);
        check(
            "source side per tap when fed from L, V",
            OPENDSS,
            -0.67,
            (end.source_v - start.source_v) / 16.0,
            0.01,
        );
        check(
            "load side over 16 taps when fed from L, V",
            OPENDSS,
            0.02,
            (end.load_v - start.load_v).abs(),
            0.05,
        );
    }

    #[test]
    fn in_band_from_the_start_nothing_runs() {
        let mut l = Loop::new(Circuit::fed_from_load(), 118.0, 0);
        l.settle();
        check("tap of a unit fed from L whose load side is in band", OPENDSS, 0.0, l.tap.into(), 0.0);
    }
}
