//! What disturbs the feeder on one day, second by second, each by its own random stream.

use regulator::causes::elevation_degrees;

use crate::{SECONDS, at, random::Random};

pub(crate) const LATITUDE: f64 = 40.0;
pub(crate) const LONGITUDE: f64 = -105.0;

/// Which disturbances there are.
#[derive(Clone, Copy, Default)]
pub(crate) struct Kinds {
    /// Load that comes and goes in blocks.
    pub(crate) blocks: bool,
    /// Steps of the substation's load tap changer.
    pub(crate) source_steps: bool,
    /// A slow swing of the supply over hours.
    pub(crate) drift: bool,
    /// Solar under broken clouds.
    pub(crate) clouds: bool,
}

/// One day.
pub(crate) struct Day {
    /// Substation bus, V on the base of 120.
    pub(crate) source_v: Vec<f64>,
    /// Load between the two regulators, kW at 120 V.
    pub(crate) near_kw: Vec<f64>,
    /// Load behind the second one, kW at 120 V.
    pub(crate) far_kw: Vec<f64>,
    /// Solar behind the second one, kW, at unity power factor.
    pub(crate) solar_kw: Vec<f64>,
}

impl Day {
    pub(crate) fn new(kinds: Kinds, seed: u64) -> Self {
        let size = if kinds.blocks { 1.0 } else { 0.0 };
        Self {
            source_v: source(kinds, seed),
            near_kw: load(350.0, 0.6 * size, seed, 2),
            far_kw: load(800.0, size, seed, 3),
            solar_kw: solar(kinds, seed),
        }
    }
}

#[allow(clippy::cast_precision_loss)]
fn hours(s: usize) -> f64 {
    s as f64 / 3600.0
}

fn source(kinds: Kinds, seed: u64) -> Vec<f64> {
    let mut random = Random::new(seed, 1);
    let (mut step, mut next, mut noise) = (0.0, 900.0 * random.exponential(), 0.0);
    let phase = random.between(0.0, 6.0);
    let second = |s: usize| {
        noise += -0.02 * noise + 0.004 * random.normal();
        let t = hours(s) * 3600.0;
        if kinds.source_steps && t > next {
            let up = random.uniform() < 0.5 - 0.15 * step;
            let taps = if random.uniform() < 0.3 { 2.0 } else { 1.0 };
            step += if up { 0.75 * taps } else { -0.75 * taps };
            next = t + 300.0 + 1500.0 * random.exponential();
        }
        let drift =
            if kinds.drift { 5.0 * (hours(s) / 4.0 * std::f64::consts::TAU + phase).sin() } else { 0.0 };
        123.5 + step + drift + noise
    };
    (0..SECONDS).map(second).collect()
}

/// A curve with a morning and an evening peak, a little noise, and blocks that come and go.
fn load(base_kw: f64, blocks: f64, seed: u64, stream: u64) -> Vec<f64> {
    let mut random = Random::new(seed, stream);
    let mut noise = 0.0;
    let mut on: Vec<(f64, f64)> = vec![];
    let second = |s: usize| {
        noise += -0.02 * noise + 0.0012 * random.normal();
        let t = hours(s) * 3600.0;
        on.retain(|(until, _)| *until > t);
        if random.uniform() < 1.0 / 1500.0 {
            on.push((t + 240.0 + 900.0 * random.exponential(), random.between(0.15, 0.5)));
        }
        let h = hours(s);
        let peak = |at: f64, width: f64| (-((h - at) / width).powi(2)).exp();
        let curve = 0.75 + 0.2 * peak(8.0, 2.0) + 0.35 * peak(19.0, 3.0);
        base_kw * (curve + noise + blocks * on.iter().map(|(_, size)| size).sum::<f64>())
    };
    (0..SECONDS).map(second).collect()
}

/// Clouds come and go for a minute or three each; their edges take some tens of seconds to pass over the panels.
fn solar(kinds: Kinds, seed: u64) -> Vec<f64> {
    let mut random = Random::new(seed, 4);
    let (mut cloudy, mut next, mut through, mut smooth, mut lag) = (false, 0.0, 1.0, 1.0, 20.0);
    let second = |s: usize| {
        let t = hours(s) * 3600.0;
        if t > next {
            cloudy = !cloudy;
            through = if cloudy { random.between(0.2, 0.6) } else { random.between(0.95, 1.05) };
            next = t + 40.0 + 140.0 * random.exponential();
            lag = random.between(8.0, 30.0);
        }
        smooth += (through - smooth) / lag;
        let height = elevation_degrees(at(s), LATITUDE, LONGITUDE).to_radians().sin().max(0.0);
        if kinds.clouds { 900.0 * height * smooth } else { 0.0 }
    };
    (0..SECONDS).map(second).collect()
}
