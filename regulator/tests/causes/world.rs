//! A feeder of two regulators in series, and what would have happened otherwise.
//!
//! Per phase, on a base of 120 V at 7.62 kV: substation, line, regulator A, line, regulator B, load and solar. Drops by the approximate
//! formula (Kersting, ch. 3). The true cause of an operation is found by playing the ten minutes before it again with one
//! disturbance held still: what it takes away, that disturbance caused.

use regulator::{
    control::{Control, ControlSettings, Inputs, Regulation},
    taps::TapChanger,
    WindingType,
};

use crate::{
    SECONDS,
    weather::Day,
};

/// Ten minutes are played again.
const AGAIN_S: usize = 600;
const KVAR_PER_KW: f64 = 0.4;
/// V per kW and V per kvar: to A, and from A to B.
const TO_A: (f64, f64) = (0.0012, 0.0016);
const TO_B: (f64, f64) = (0.0022, 0.003);

#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Hold {
    Nothing,
    Source,
    Load,
    Solar,
    Upstream,
    Everything,
}

#[derive(Clone, Copy)]
pub struct Side {
    pub source_v: f64,
    pub load_v: f64,
    pub real_kw: f64,
    pub reactive_kvar: f64,
    pub tap: i32,
    pub operations: u32,
}

#[derive(Clone)]
pub struct Feeder {
    controls: [Control; 2],
    pub sides: [Side; 2],
}

pub struct World {
    pub day: Day,
    pub settings: [ControlSettings; 2],
    /// Whether A taps at all.
    pub upstream: bool,
}

pub fn settings(bandwidth_v: f64, delay_s: f64) -> ControlSettings {
    let common = ControlSettings::common();
    let forward = Regulation { bandwidth_v, delay_s, ..common.forward };
    ControlSettings { forward, ..common }
}

impl World {
    fn start(&self) -> Feeder {
        let side = Side { source_v: 122.0, load_v: 122.0, real_kw: 0.0, reactive_kvar: 0.0, tap: 0, operations: 0 };
        let mut feeder = Feeder { controls: [Control::new(), Control::new()], sides: [side; 2] };
        // settled before the day begins
        (0..1200).for_each(|_| self.step(&mut feeder, 0, 0, Hold::Nothing));
        feeder
    }

    /// One second; disturbances held stand as they were at `held`.
    fn step(&self, feeder: &mut Feeder, s: usize, held: usize, hold: Hold) {
        let time = |kind| if hold == kind || hold == Hold::Everything { held } else { s };
        let changer = TapChanger::new(WindingType::B, 32);
        let [a, b] = &mut feeder.sides;
        let load = |kw: f64, volts: f64| kw * (volts / 120.0).powf(1.2);
        let far = load(self.day.far_kw[time(Hold::Load)], b.load_v);
        let near = load(self.day.near_kw[time(Hold::Load)], a.load_v);
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
            let moves = i == 1 || (self.upstream && !matches!(hold, Hold::Upstream | Hold::Everything));
            let inputs = Inputs {
                load_voltage_v: side.load_v,
                source_voltage_v: side.source_v,
                current: Default::default(),
                tap: side.tap,
                automatic: moves,
                blocked: false,
            };
            let steps = feeder.controls[i].step(&self.settings[i], 1.0, &inputs).steps();
            side.tap += steps;
            side.operations += steps.unsigned_abs();
        }
    }

    /// The whole day: each second's state, and the states to play again from.
    pub fn run(&self) -> Run {
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
    pub fn truth(&self, run: &Run, s: usize) -> Option<Hold> {
        let minute = s.saturating_sub(AGAIN_S) / 60;
        let before = run.seconds[s - 1][1];
        let direction = run.seconds[s][1].tap - before.tap;
        let changer = TapChanger::new(WindingType::B, 32);
        let supply = before.load_v / changer.ratio(before.tap.into());
        if !self.removed(run, minute, s, direction, Hold::Everything).0 {
            return Some(Hold::Everything);
        }
        let mut effects: Vec<(f64, Hold)> = [Hold::Source, Hold::Load, Hold::Solar, Hold::Upstream]
            .into_iter()
            .filter_map(|hold| {
                let (removed, otherwise) = self.removed(run, minute, s, direction, hold);
                let effect = (otherwise - supply) * f64::from(direction);
                (removed && effect > 0.1).then_some((effect, hold))
            })
            .collect();
        effects.sort_by(|x, y| y.0.total_cmp(&x.0));
        match effects[..] {
            [] => None,
            [(_, hold)] => Some(hold),
            [(first, hold), (second, _), ..] => (second < 0.6 * first).then_some(hold),
        }
    }

    /// Whether the operation does not happen with this held, and B's supply then.
    fn removed(&self, run: &Run, minute: usize, s: usize, direction: i32, hold: Hold) -> (bool, f64) {
        let mut feeder = run.snapshots[minute].clone();
        let from = minute * 60;
        let mut supply = 0.0;
        let mut happened = false;
        for t in from..(s + 20).min(SECONDS) {
            let tap = feeder.sides[1].tap;
            self.step(&mut feeder, t, from, hold);
            if t + 1 == s {
                supply = feeder.sides[1].source_v;
            }
            happened |= t + 20 >= s && (feeder.sides[1].tap - tap) == direction;
        }
        (!happened, supply)
    }
}

pub struct Run {
    pub seconds: Vec<[Side; 2]>,
    snapshots: Vec<Feeder>,
}
