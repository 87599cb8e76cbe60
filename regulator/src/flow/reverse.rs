//! What reversed power means, and whether the control's setting fits it.
//!
//! Two things reverse power: generation behind the unit that exceeds the load, and a feeder switched so that it is fed from
//! the load side. They look alike on a power meter and want opposite settings: with generation the source side stays the
//! strong one and the load side must be regulated still; switched, the load side is held from elsewhere and only the source
//! side answers. What a tap moves ([`super::supply`]) tells them apart. The hours at which power is reversed are a hint and
//! no more.

use super::supply::Supply;
use crate::control::ReverseBehaviour;

/// Why power is reversed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cause {
    /// Generation behind the unit: the source side holds the voltage.
    Generation,
    /// Fed from the load side: that side holds the voltage.
    Switched,
    /// The taps have not told (yet).
    CannotTell,
}

/// The cause, from which side holds the voltage *while power is reversed*.
#[must_use]
pub const fn cause(supply: Supply) -> Cause {
    match supply {
        Supply::SourceSide => Cause::Generation,
        Supply::LoadSide => Cause::Switched,
        Supply::Shared | Supply::CannotTell => Cause::CannotTell,
    }
}

/// Whether what the control does under reverse power fits why it is reversed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fit {
    /// It regulates the side that answers.
    Fits(&'static str),
    /// It regulates the side that does not answer, or none.
    DoesNotFit(&'static str),
    /// One of the two is not known.
    CannotTell,
}

/// Judges a setting.
#[must_use]
pub const fn fit(cause: Cause, behaviour: ReverseBehaviour) -> Fit {
    use ReverseBehaviour::{Block, KeepForward, RegulateReverse};
    match (cause, behaviour) {
        (Cause::CannotTell, _) => Fit::CannotTell,
        (Cause::Generation, KeepForward) => Fit::Fits("the load side is regulated, and it answers"),
        (Cause::Switched, RegulateReverse) => Fit::Fits("the source side is regulated, and it answers"),
        (Cause::Generation, RegulateReverse) => Fit::DoesNotFit(
            "the source side is regulated, but the source holds it: taps do not move it, and the load side takes them all",
        ),
        (Cause::Switched, KeepForward) => Fit::DoesNotFit(
            "the load side is regulated, but it is held from elsewhere: taps do not move it, and the source side takes them all",
        ),
        (_, Block) => Fit::DoesNotFit("no taps while reversed: neither side is regulated"),
    }
}

/// At which hours power is reversed: readings and reversed readings by hour of the site's day, and the days that had any.
#[derive(Debug, Clone, PartialEq)]
pub struct Hours {
    readings: [u32; 24],
    reversed: [u32; 24],
    days: std::collections::BTreeSet<i64>,
}

/// What the hours suggest; weak evidence either way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pattern {
    /// Reversed by day and not at night, on three days or more: as solar generation would.
    ByDay,
    /// Reversed about as often at night: not by solar generation alone.
    DayAndNight,
    /// Not enough of it.
    CannotTell,
}

/// Days with reversed power before the hours suggest anything.
const LEAST_DAYS: usize = 3;
/// Hours in which the sun can stand high enough to matter, by the site's clock (common practice).
const DAYLIGHT: std::ops::Range<usize> = 7..19;

impl Hours {
    /// None yet.
    #[must_use]
    pub const fn new() -> Self {
        Self { readings: [0; 24], reversed: [0; 24], days: std::collections::BTreeSet::new() }
    }

    /// Takes one reading: the day (any count of days) and hour by the site's clock, and whether power was reversed.
    pub fn observe(&mut self, day: i64, hour: usize, reversed: bool) {
        self.readings[hour % 24] += 1;
        if reversed {
            self.reversed[hour % 24] += 1;
            self.days.insert(day);
        }
    }

    /// What they suggest.
    #[must_use]
    pub fn pattern(&self) -> Pattern {
        let share = |light: bool| {
            let hours = || (0..24).filter(move |h| DAYLIGHT.contains(h) == light);
            let sum = |of: &[u32; 24]| hours().map(|h| f64::from(of[h])).sum::<f64>();
            (sum(&self.readings) > 0.0).then(|| sum(&self.reversed) / sum(&self.readings))
        };
        match (share(true), share(false)) {
            _ if self.days.len() < LEAST_DAYS => Pattern::CannotTell,
            (Some(day), Some(night)) if day > 20.0 * night => Pattern::ByDay,
            (Some(day), Some(night)) if night > 0.5 * day => Pattern::DayAndNight,
            _ => Pattern::CannotTell,
        }
    }
}

impl Default for Hours {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        Reading,
        flow::{
            Brackets,
            circuit::{Circuit, Loop, check, nameplate},
            supply::{Response, Responses},
        },
    };

    /// The set voltage goes up and down by 3 V so that the unit taps; what does a tap move?
    fn response(circuit: Circuit, wander_v: f64) -> (Response, Supply) {
        let (mut brackets, mut responses) = (Brackets::default(), Responses::default());
        let mut l = Loop::new(circuit, circuit.at(0.0).load_v, 0);
        let level = l.settings.forward.set_voltage_v;
        for i in 0..2000_u32 {
            let up = i / 60 % 2 == 0;
            l.settings.forward.set_voltage_v = if up { level + 2.5 } else { level - 2.5 };
            l.circuit.source_v = 7200.0 + 60.0 * wander_v * (f64::from(i) * 0.37).sin();
            let reading: Reading = l.next();
            if let Some(operation) = brackets.observe(&reading) {
                responses.observe(&nameplate(), &operation);
            }
        }
        (responses.response().unwrap(), responses.supply())
    }

    #[test]
    fn what_a_tap_moves_tells_generation_from_a_switched_feeder() {
        // published per tap: forward about +0.75 V on L; fed from L about 0 on L and -0.67 V on S
        let (forward, supply) = response(Circuit::fed_from_source(), 0.0);
        check(
            "share of a tap on L, fed from S",
            "OpenDSS case: +0.75 V of 0.75 V a tap, less a small source effect",
            1.0,
            forward.share,
            0.06,
        );
        assert_eq!(supply, Supply::SourceSide);
        let (fed, supply) = response(Circuit::fed_from_load(), 0.0);
        check("share of a tap on L, fed from L", "OpenDSS case: 0.02 V over 16 taps", 0.0, fed.share, 0.06);
        assert_eq!((supply, cause(supply)), (Supply::LoadSide, Cause::Switched));
    }

    #[test]
    fn weak_generation_reverses_power_and_not_the_response() {
        let generation = Circuit { load: (-400e3, 50e3), ..Circuit::fed_from_source() };
        assert!(generation.at(0.0).power_kw < -390.0);
        for wander_v in [0.0, 0.4] {
            let (r, supply) = response(generation, wander_v);
            assert!(r.share > 0.85 && r.with_source, "{r:?}");
            assert_eq!(cause(supply), Cause::Generation, "{r:?}");
        }
    }

    #[test]
    fn settings_that_regulate_the_side_that_answers_fit() {
        use ReverseBehaviour::{Block, KeepForward, RegulateReverse};
        for (cause, behaviour, fits) in [
            (Cause::Generation, KeepForward, true),
            (Cause::Generation, RegulateReverse, false),
            (Cause::Switched, KeepForward, false),
            (Cause::Switched, RegulateReverse, true),
            (Cause::Switched, Block, false),
        ] {
            assert_eq!(matches!(fit(cause, behaviour), Fit::Fits(_)), fits, "{cause:?} {behaviour:?}");
        }
        assert_eq!(fit(Cause::CannotTell, Block), Fit::CannotTell);
        assert_eq!(cause(Supply::Shared), Cause::CannotTell);
    }

    #[test]
    fn the_hours_are_a_hint_after_three_days() {
        let mut hours = Hours::new();
        let mut night = Hours::new();
        for day in 0..5 {
            for hour in 0..24 {
                hours.observe(day, hour, (11..15).contains(&hour));
                night.observe(day, hour, day > 1);
            }
            let expected = if day < 2 { Pattern::CannotTell } else { Pattern::ByDay };
            assert_eq!(hours.pattern(), expected);
        }
        assert_eq!(night.pattern(), Pattern::DayAndNight);
    }
}
