//! Simulated fleets: how often the audit is wrong about healthy units, and how soon it finds a slip.
//!
//! Each unit has what disturbs an audit: ratio errors drawn from the accuracy class, drift over the day with temperature and
//! burden, a series drop (in part reactive, which the audit does not model), noise, two sides not read at one instant,
//! registers of 0.1 V, a source that wanders and jumps, and a control that taps about 40 times a day. Sizes are common
//! practice; the class is IEEE C57.13's 0.6 (from memory).
//!
//! Measured with `at_most_one_wrong_in_a_thousand_months` (seeds as there): none of 3,000 healthy months at 60 s and of 100
//! at 10 s was said to have slipped, so at most 1 in 1,000 with 95 % confidence (the rule of three). Of 1,000 slips each, one
//! step up or down was found in all, within 5 operations at most; two or three steps within 3 operations in 99.1 to 99.5 %.

mod rates;
mod stories;

use chrono::TimeDelta;

use super::{Accuracy, Limits};
use crate::{Age, Nameplate, Quantity, Reading, Timestamp, taps::TapChanger};

/// Repeatable chance (G. L. Steele, D. Lea, C. H. Flood, "Fast splittable pseudorandom number generators", 2014).
pub(crate) struct Chance(pub(crate) u64);

impl Chance {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// -1 to 1.
    fn even(&mut self) -> f64 {
        #[allow(clippy::cast_precision_loss, reason = "53 bits")]
        let unit = (self.next() >> 11) as f64 / (1_u64 << 53) as f64;
        2.0 * unit - 1.0
    }

    /// Deviation 1, nearly normal: four even numbers' sum.
    pub(crate) fn bell(&mut self) -> f64 {
        (self.even() + self.even() + self.even() + self.even()) * 0.866
    }

    /// Once in so many.
    fn once_in(&mut self, n: f64) -> bool {
        self.even() < 2.0 / n - 1.0
    }
}

/// A value that wanders about zero.
#[derive(Default)]
pub(crate) struct Wander(f64);

impl Wander {
    pub(crate) fn step(&mut self, chance: &mut Chance, deviation: f64, time_s: f64, dt_s: f64) -> f64 {
        let keep = (-dt_s / time_s).exp();
        self.0 = keep * self.0 + deviation * (1.0 - keep * keep).sqrt() * chance.bell();
        self.0
    }
}

/// One simulated unit.
struct Unit {
    chance: Chance,
    dt_s: f64,
    seconds: f64,
    /// Errors of the two voltages, per unit; series resistance and reactance, per unit of the rating; phase of the day's drift.
    source_error: f64,
    load_error: f64,
    series: (f64, f64),
    phase: [f64; 2],
    drift: [Wander; 2],
    load: Wander,
    reactive: Wander,
    supply: Wander,
    jump_v: f64,
    bias_v: f64,
    out_s: f64,
    tap: i32,
    reported: i32,
    counted: u32,
    /// Steps by which the report goes wrong at the next operation.
    slips: i32,
    /// Whether the report is put right when the true tap is at neutral.
    corrects: bool,
}

const DAY_S: f64 = 86_400.0;
const TURN: f64 = std::f64::consts::TAU;

impl Unit {
    fn new(seed: u64, class_percent: f64, dt_s: f64) -> Self {
        let mut chance = Chance(seed.wrapping_mul(0x1234_5678_9ABC_DEF1));
        let class = class_percent / 100.0;
        let errors = [chance.even() * class, chance.even() * class];
        let series = (0.0025 + 0.002 * chance.even(), 0.003 + 0.002 * chance.even());
        let phase = [chance.even() * 0.5, chance.even() * 0.5];
        let bias_v = 3.0 * chance.even();
        Self {
            chance,
            dt_s,
            seconds: 0.0,
            source_error: errors[0],
            load_error: errors[1],
            series,
            phase,
            drift: [Wander::default(), Wander::default()],
            load: Wander::default(),
            reactive: Wander::default(),
            supply: Wander::default(),
            jump_v: 0.0,
            bias_v,
            out_s: 0.0,
            tap: 0,
            reported: 0,
            counted: 0,
            slips: 0,
            corrects: false,
        }
    }

    /// The next reading, so many seconds later; `with_source` or without a source voltage.
    fn next(&mut self, changer: &TapChanger, with_source: bool) -> Reading {
        self.seconds += self.dt_s;
        let day = self.seconds / DAY_S;
        let curve = 0.5 - 0.3 * (TURN * day).cos() + 0.1 * (2.0 * TURN * day).sin();
        let p = curve + self.load.step(&mut self.chance, 0.1, 1800.0, self.dt_s);
        let q = 0.25 * p + self.reactive.step(&mut self.chance, 0.1, 1800.0, self.dt_s);
        if self.chance.once_in(DAY_S / 8.0 / self.dt_s) {
            // upstream: a regulator's step or a capacitor bank
            self.jump_v = (self.jump_v + 1.2 * self.chance.even()).clamp(-3.0, 3.0);
        }
        let supply = self.supply.step(&mut self.chance, 0.5, 1200.0, self.dt_s);
        let source_v = 121.0 + self.bias_v + self.jump_v + supply - 4.0 * p + 0.05 * self.chance.bell();
        let load_v =
            source_v * changer.ratio(self.tap.into()) * (1.0 - self.series.0 * p - self.series.1 * q);
        let errors = [(0, self.source_error), (1, self.load_error)].map(|(side, error): (usize, f64)| {
            let sun = 4e-4 * (TURN * (day + self.phase[side])).cos();
            1.0 + error + sun + self.drift[side].step(&mut self.chance, 2e-4, 7200.0, self.dt_s)
        });
        // read one after the other, while the voltage moves
        let apart_v = 0.15 * self.chance.bell();
        let tenths = |v: f64| (v * 10.0).round() / 10.0;
        let metered_source = tenths(source_v * errors[0] + 0.05 * self.chance.bell());
        let metered_load = tenths(load_v * errors[1] + apart_v + 0.05 * self.chance.bell());
        #[allow(clippy::cast_possible_truncation, reason = "a month of milliseconds")]
        let at = Timestamp::from_timestamp(1_767_225_600, 0).unwrap()
            + TimeDelta::milliseconds((self.seconds * 1000.0) as i64);
        let reading = Reading::new(at)
            .with(Quantity::Tap, self.reported.into())
            .with(Quantity::LoadVoltage, metered_load)
            .with(Quantity::RealPower, 1668.8 * p * (1.0 + 0.02 * self.chance.bell()))
            .with(Quantity::Operations, self.counted.into());
        self.regulate(load_v * errors[1]);
        if with_source { reading.with(Quantity::SourceVoltage, metered_source) } else { reading }
    }

    fn regulate(&mut self, seen_v: f64) {
        let steps = match seen_v - 122.0 {
            d if d > 1.0 => -1,
            d if d < -1.0 => 1,
            _ => 0,
        };
        self.out_s = if steps == 0 { 0.0 } else { self.out_s + self.dt_s };
        if steps == 0
            || self.out_s < 45.0
            || (self.tap + steps).abs() > 16
            || (self.reported + steps).abs() > 16
        {
            return;
        }
        self.tap += steps;
        self.reported += steps + std::mem::take(&mut self.slips);
        self.counted += 1;
        if self.corrects && self.tap == 0 {
            self.reported = 0;
        }
    }
}

fn audited() -> (Limits, TapChanger) {
    let nameplate = Nameplate::common();
    (Limits::new(&nameplate, &Accuracy::default()), TapChanger::of(&nameplate))
}

/// What an outstation that reports changes makes of readings: voltages within the deadband are carried, with their age, until
/// the next poll of everything.
#[derive(Default)]
struct Carried {
    told: [Option<(f64, Timestamp)>; 2],
    polled: Option<Timestamp>,
}

impl Carried {
    fn pass(&mut self, mut reading: Reading, deadband_v: f64, poll_s: i64) -> Reading {
        let at = reading.measured_at;
        let poll = self.polled.is_none_or(|last| (at - last).num_seconds() >= poll_s);
        if poll {
            self.polled = Some(at);
        }
        for (told, quantity) in self.told.iter_mut().zip([Quantity::LoadVoltage, Quantity::SourceVoltage]) {
            let Some(now) = reading.good(quantity) else { continue };
            match *told {
                Some((value, since)) if !poll && (now - value).abs() < deadband_v => {
                    reading = reading.with(quantity, value);
                    reading.set_age(quantity, Age::from_seconds((at - since).num_seconds().unsigned_abs()));
                }
                _ => *told = Some((now, at)),
            }
        }
        reading
    }
}
