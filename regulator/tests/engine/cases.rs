//! Days and settings: generic values, made up here.

use crate::engine::{STEP_S, STEPS};

/// What of the load stays the same when its voltage changes.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Constant {
    Power,
    Current,
    Impedance,
}

impl Constant {
    /// The engine's number for it.
    pub(crate) const fn model(self) -> u8 {
        match self {
            Self::Power => 1,
            Self::Current => 5,
            Self::Impedance => 2,
        }
    }

    /// The exponent of our model.
    pub(crate) const fn exponent(self) -> f64 {
        match self {
            Self::Power => 0.0,
            Self::Current => 1.0,
            Self::Impedance => 2.0,
        }
    }
}

/// What moves the voltage.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Change {
    /// Load that swings over the day, with large motors that start and stop.
    Varying,
    /// The same, smaller, and a solar plant under passing clouds.
    Cloudy,
    /// A source whose voltage steps, as behind another tap-changer.
    Stepping,
}

/// One day with one set of settings.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Case {
    pub(crate) change: Change,
    pub(crate) seed: u64,
    pub(crate) load: Constant,
    pub(crate) set_voltage_v: f64,
    pub(crate) bandwidth_v: f64,
    pub(crate) delay_s: f64,
    /// R' and X', V.
    pub(crate) compensator: (f64, f64),
}

const fn case(change: Change, load: Constant, bandwidth_v: f64, delay_s: f64) -> Case {
    Case { change, seed: 1, load, set_voltage_v: 122.0, bandwidth_v, delay_s, compensator: (0.0, 0.0) }
}

impl Case {
    const fn compensated(self) -> Self {
        Self { set_voltage_v: 120.5, compensator: (2.5, 3.5), ..self }
    }

    pub(crate) fn name(&self) -> String {
        let Self { change, load, bandwidth_v, delay_s, compensator, .. } = self;
        let ldc = if *compensator == (0.0, 0.0) { "" } else { ", compensated" };
        format!("{change:?} day, constant {load:?}, band {bandwidth_v} V, delay {delay_s} s{ldc}")
    }
}

use Change::{Cloudy, Stepping, Varying};
use Constant::{Current, Impedance, Power};

/// Load.
pub(crate) const VARYING: [Case; 5] = [
    case(Varying, Power, 2.0, 30.0),
    case(Varying, Current, 1.5, 15.0),
    case(Varying, Impedance, 2.0, 45.0),
    case(Varying, Power, 1.5, 30.0).compensated(),
    case(Varying, Impedance, 2.0, 60.0).compensated(),
];

/// Clouds.
pub(crate) const CLOUDY: [Case; 5] = [
    case(Cloudy, Power, 2.0, 30.0),
    case(Cloudy, Current, 1.5, 60.0),
    case(Cloudy, Impedance, 3.0, 15.0),
    case(Cloudy, Current, 2.0, 30.0).compensated(),
    case(Cloudy, Power, 2.5, 47.0).compensated(),
];

/// Source.
pub(crate) const STEPPING: [Case; 4] = [
    case(Stepping, Power, 2.0, 30.0),
    case(Stepping, Impedance, 1.5, 90.0),
    case(Stepping, Current, 2.0, 45.0).compensated(),
    case(Stepping, Power, 1.5, 15.0).compensated(),
];

/// What the engine is to follow.
pub(crate) struct Day {
    pub(crate) source_pu: Vec<f64>,
    pub(crate) load_kw: Vec<f64>,
    pub(crate) solar_kw: Vec<f64>,
}

/// Random numbers that are the same each time (a linear congruential generator, Knuth's MMIX constants).
struct Chance(u64);

impl Chance {
    /// Uniform between -1 and 1.
    fn draw(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        f64::from(i32::try_from(self.0 >> 33).unwrap()) / f64::from(1 << 30) - 1.0
    }

    /// True so often, times an hour.
    fn happens(&mut self, an_hour: f64) -> bool {
        0.5 * (self.draw() + 1.0) < an_hour * STEP_S / 3600.0
    }
}

impl Case {
    /// The day's shapes.
    #[expect(clippy::cast_precision_loss, reason = "steps of a day")]
    pub(crate) fn day(&self) -> Day {
        let mut chance = Chance(self.seed);
        let (mut noise, mut motor, mut shade, mut sky, mut source) = (0.0, 0.0, 0.0, 0.0, 1.005);
        let mut day = Day { source_pu: vec![], load_kw: vec![], solar_kw: vec![] };
        let (steps, clouds, motors, swing) = match self.change {
            Varying => (0.0, 0.0, 10.0, 350.0),
            Cloudy => (0.0, 20.0, 0.0, 150.0),
            Stepping => (2.5, 0.0, 3.0, 150.0),
        };
        for step in 0..STEPS {
            let hour = step as f64 * STEP_S / 3600.0;
            let turn = |from: f64| ((hour - from) * std::f64::consts::PI / 12.0).cos();
            noise = 0.98 * noise + 6.0 * chance.draw();
            if chance.happens(motors) {
                motor = if motor > 0.0 { 0.0 } else { 250.0 + 100.0 * chance.draw() };
            }
            if chance.happens(clouds) {
                sky = if sky > 0.0 { 0.0 } else { 0.55 + 0.25 * chance.draw() };
            }
            // A cloud's edge takes half a minute or so to pass.
            shade += 0.15 * (sky - shade);
            if chance.happens(steps) {
                source = (source + 0.00625 * chance.draw().signum() * (2.0 + chance.draw()).round())
                    .clamp(0.97, 1.04);
            }
            day.source_pu.push(source + 0.0004 * chance.draw());
            day.load_kw.push(700.0 + swing * turn(18.0) + motor + noise);
            let solar = if clouds > 0.0 { 1200.0 * turn(12.0).max(0.0) * (1.0 - shade) } else { 0.0 };
            day.solar_kw.push(solar);
        }
        day
    }
}
