//! Whether a change of load was generation under clouds.
//!
//! Signs for and against are added up as log-odds. Which signs there are is physics (solar at unity power factor changes real power
//! alone; clouds pass in ramps of tens of seconds, both ways, in hours of sun); their weights were chosen on simulated days and are
//! no measured probabilities.

use super::{excursion::Course, sun::Daylight};

/// The signs.
#[derive(Debug, Clone, Copy)]
pub(super) struct Signs {
    pub(super) daylight: Option<Daylight>,
    /// Turns of power, up and down, in the half hour before and the minutes after.
    pub(super) turns: (u32, u32),
    /// Hours that the turns were counted over.
    pub(super) hours: f64,
    /// Turns an hour in the dark, where known.
    pub(super) dark_per_hour: Option<f64>,
    /// Reactive over real change of the load.
    pub(super) load_reactive: f64,
    /// Whether readings are close enough to tell a ramp from a jump.
    pub(super) close: bool,
}

impl Signs {
    /// Turns both ways: the rarer of the two.
    pub(super) fn both_ways(&self) -> u32 {
        self.turns.0.min(self.turns.1)
    }

    /// How likely clouds are against other load, 0 to 1.
    pub(super) fn likelihood(&self, course: &Course) -> f64 {
        let circumstances =
            self.by_turns() + self.by_nights() + if self.close { by_shape(course) } else { 0.0 };
        let odds = match load_part(course, self.load_reactive) {
            // Measured, so that circumstances count for little; at 40 % load and sun move the voltage alike.
            Some(part) => 4.0 - 10.0 * part + 0.3 * circumstances,
            None => circumstances - 0.5,
        };
        let odds = odds + self.by_sun();
        1.0 / (1.0 + (-odds).exp())
    }

    const fn by_sun(&self) -> f64 {
        match self.daylight {
            Some(Daylight::Dark) => -6.0,
            Some(Daylight::Low) => -0.5,
            Some(Daylight::Sun) => 0.5,
            None => 0.0,
        }
    }

    fn by_turns(&self) -> f64 {
        match self.both_ways() {
            0 => -1.5,
            1 => 0.0,
            2..4 => 1.0,
            _ => 2.0,
        }
    }

    fn by_nights(&self) -> f64 {
        let now = f64::from(self.turns.0 + self.turns.1) / self.hours.max(0.1);
        match self.dark_per_hour {
            Some(dark) if now > 0.0 && dark > 0.5 * now => -2.5,
            Some(dark) if now > 0.0 && dark < 0.1 * now => 0.5,
            _ => 0.0,
        }
    }
}

/// Part of a change of real power that is load, by the reactive power that came with it: 0 solar at unity power factor, 1 load. None where
/// reactive power is not reported, or the load changes hardly any with its real power.
pub(super) fn load_part(course: &Course, load_reactive: f64) -> Option<f64> {
    let (real, reactive) = course.load.filter(|_| course.has_reactive)?;
    (real.abs() > 0.03 && load_reactive > 0.15).then(|| (reactive / real / load_reactive).clamp(0.0, 1.0))
}

fn by_shape(course: &Course) -> f64 {
    match course.sharpest {
        Some(part) if part > 0.8 => -1.5,
        Some(part) if part < 0.5 => 1.0,
        _ => 0.0,
    }
}
