//! A feeder of two regulators in series, and what would have happened otherwise.
//!
//! Per phase, on a base of 120 V at 7.62 kV: substation, line, regulator A, line, regulator B, load and solar. Drops by the approximate
//! formula (Kersting, ch. 3). The true cause of an operation is found by playing the minutes before it again with one
//! disturbance held still: what it takes away, that disturbance caused.

use regulator::{
    WindingType,
    compensator::{Compensator, PerUnitCurrent},
    control::{Control, ControlSettings, Inputs, Regulation},
    taps::TapChanger,
};

use crate::{SECONDS, weather::Day};

/// From so long before an operation things are played again, s.
const AGAIN_S: [usize; 4] = [600, 420, 270, 150];
/// A band of less than two steps hunts (T. A. Short, *Electric Power Distribution Handbook*; from memory).
const TWO_STEPS_V: f64 = 1.5;
/// 7.62 kV and 219 A, which is taken for the current transformer's primary too.
const RATED_KW: f64 = 1669.0;
const KVAR_PER_KW: f64 = 0.4;
/// V per kW and V per kvar: to A, and from A to B.
const TO_A: (f64, f64) = (0.0012, 0.0016);
const TO_B: (f64, f64) = (0.0022, 0.003);

#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) enum Hold {
    Nothing,
    Source,
    /// Load between the two regulators: to B it is supply.
    Near,
    Load,
    Solar,
    Upstream,
    /// Not held but widened: B's band to two steps.
    Band,
}

#[derive(Clone, Copy)]
pub(crate) struct Side {
    pub(crate) source_v: f64,
    pub(crate) load_v: f64,
    pub(crate) real_kw: f64,
    pub(crate) reactive_kvar: f64,
    pub(crate) tap: i32,
    pub(crate) operations: u32,
}

#[derive(Clone)]
pub(crate) struct Feeder {
    controls: [Control; 2],
    pub(crate) sides: [Side; 2],
}

pub(crate) struct World {
    pub(crate) day: Day,
    pub(crate) settings: [ControlSettings; 2],
    /// Whether A taps at all.
    pub(crate) upstream: bool,
}

pub(crate) fn settings(bandwidth_v: f64, delay_s: f64, compensator: Compensator) -> ControlSettings {
    let common = ControlSettings::common();
    let forward = Regulation { bandwidth_v, delay_s, compensator, ..common.forward };
    ControlSettings { forward, ..common }
}

impl World {
    fn start(&self) -> Feeder {
        let side =
            Side { source_v: 122.0, load_v: 122.0, real_kw: 0.0, reactive_kvar: 0.0, tap: 0, operations: 0 };
        let mut feeder = Feeder { controls: [Control::new(), Control::new()], sides: [side; 2] };
        // settled before the day begins
        (0..1200).for_each(|_| self.step(&mut feeder, 0, 0, Hold::Nothing));
        feeder
    }

    /// One second; disturbances held stand as they were at `held`.
    fn step(&self, feeder: &mut Feeder, s: usize, held: usize, hold: Hold) {
        let time = |kind| if hold == kind { held } else { s };
        let changer = TapChanger::new(WindingType::B, 32);
        let [a, b] = &mut feeder.sides;
        let load = |kw: f64, volts: f64| kw * (volts / 120.0).powf(1.2);
        let far = load(self.day.far_kw[time(Hold::Load)], b.load_v);
        let near = load(self.day.near_kw[time(Hold::Near)], a.load_v);
        b.real_kw = far - self.day.solar_kw[time(Hold::Solar)];
        b.reactive_kvar = KVAR_PER_KW * far;
        a.real_kw = near + b.real_kw;
        a.reactive_kvar = KVAR_PER_KW * near + b.reactive_kvar;
        let drop = |(r, x): (f64, f64), side: &Side| r * side.real_kw + x * side.reactive_kvar;
        a.source_v = self.day.source_v[time(Hold::Source)] - drop(TO_A, a);
        a.load_v = a.source_v * changer.ratio(a.tap.into());
        b.source_v = a.load_v - drop(TO_B, a);
        b.load_v = b.source_v * changer.ratio(b.tap.into());
        for (i, side) in feeder.sides.iter_mut().enumerate() {
            let moves = i == 1 || (self.upstream && hold != Hold::Upstream);
            let inputs = Inputs {
                load_voltage_v: side.load_v,
                source_voltage_v: side.source_v,
                current: PerUnitCurrent {
                    in_phase: side.real_kw / RATED_KW,
                    lagging: side.reactive_kvar / RATED_KW,
                },
                tap: side.tap,
                automatic: moves,
                blocked: false,
            };
            let mut settings = self.settings[i];
            if i == 1 && hold == Hold::Band {
                settings.forward.bandwidth_v = settings.forward.bandwidth_v.max(TWO_STEPS_V);
            }
            let steps = feeder.controls[i].step(&settings, 1.0, &inputs).steps();
            side.tap += steps;
            side.operations += steps.unsigned_abs();
        }
    }

    /// The whole day: each second's state, and the states to play again from.
    pub(crate) fn run(&self) -> Run {
        let mut feeder = self.start();
        let mut run = Run { seconds: Vec::with_capacity(SECONDS), snapshots: vec![] };
        for s in 0..SECONDS {
            if s % 60 == 0 {
                run.snapshots.push(feeder.clone());
            }
            self.step(&mut feeder, s, s, Hold::Nothing);
            run.seconds.push(feeder.sides);
        }
        run
    }

    /// Why B tapped at second `s`; none where several disturbances had about the same part in it.
    pub(crate) fn truth(&self, run: &Run, s: usize) -> Option<Hold> {
        let tap = |s: usize| run.seconds[s][1].tap;
        let direction = tap(s) - tap(s - 1);
        let narrow = self.settings[1].forward.bandwidth_v < TWO_STEPS_V;
        if narrow && !self.again(run, s, AGAIN_S[0], Hold::Band, 20, direction).happened {
            return Some(Hold::Band);
        }
        let supply = run.seconds[s - 1][1].source_v;
        let effect = |hold| {
            // an answer to upstream follows within the delay or soon after
            let from = if hold == Hold::Upstream { &AGAIN_S[3..] } else { &AGAIN_S[..] };
            let again = from.iter().map(|ago| self.again(run, s, *ago, hold, 20, direction));
            let effects = again.filter(|a| !a.happened).map(|a| (a.supply_v - supply) * f64::from(direction));
            effects.fold(0.0, f64::max)
        };
        let holds = [Hold::Source, Hold::Near, Hold::Load, Hold::Solar, Hold::Upstream];
        let mut effects: Vec<(f64, Hold)> = holds.into_iter().map(|hold| (effect(hold), hold)).collect();
        effects.sort_by(|x, y| y.0.total_cmp(&x.0));
        let (first, second) = (effects[0], effects[1]);
        (first.0 > 0.1 && second.0 < 0.6 * first.0).then_some(first.1)
    }

    /// Plays the time from so long before second `s` again with something held; `near_s` is how far from `s` an operation counts as
    /// the same.
    fn again(&self, run: &Run, s: usize, ago_s: usize, hold: Hold, near_s: usize, direction: i32) -> Again {
        let minute = s.saturating_sub(ago_s) / 60;
        let from = minute * 60;
        let mut feeder = run.snapshots[minute].clone();
        let mut again = Again { happened: false, supply_v: 0.0 };
        for t in from..(s + near_s).min(SECONDS) {
            let tap = feeder.sides[1].tap;
            self.step(&mut feeder, t, from, hold);
            if t + 1 == s {
                again.supply_v = feeder.sides[1].source_v;
            }
            again.happened |= t + near_s >= s && (feeder.sides[1].tap - tap) == direction;
        }
        again
    }
}

struct Again {
    happened: bool,
    supply_v: f64,
}

pub(crate) struct Run {
    pub(crate) seconds: Vec<[Side; 2]>,
    snapshots: Vec<Feeder>,
}
