//! The voltage calls for a tap, and the control has every reason to make it.
//!
//! Judged from one reading: the control says that it is in automatic, does not say that it is blocked or that power is
//! reversed, and tap, load voltage, set voltage and bandwidth are good. The band is widened by a margin, and by the most that a
//! compensator can make of it: |V - ZI| lies within |Z||I| of V, whatever the power factor. Where the control does not
//! report its compensator, or the current is missing, an allowance takes its place. At the limit in the direction called for
//! there is nothing that the unit could do; a unit whose tap is not known may be there, so it is not judged.

use crate::{Nameplate, Quantity, Reading, taps::Bases};

/// How much doubt is granted before the voltage counts as out of band, V on the control's base.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Allowance {
    /// Metering, and settings that the control rounds.
    pub margin_v: f64,
    /// What an unreported compensator, or one whose current is not known, may add or take away.
    pub compensator_v: f64,
    /// Real power below minus this (kW) counts as reversed.
    pub reverse_kw: f64,
}

/// A call for a tap.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Demand {
    /// Raise (true) or lower.
    pub raise: bool,
    /// Load voltage, V.
    pub voltage_v: f64,
    /// The edge of the widened band that it passed, V.
    pub edge_v: f64,
    /// The control's own delay, s, where reported.
    pub delay_s: Option<f64>,
}

/// Why a reading does not say whether a tap is called for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unjudged {
    /// A quantity is missing: tap, load voltage, set voltage, bandwidth or whether it is in automatic.
    Missing(Quantity),
    /// Not in automatic, or blocked.
    Held,
    /// Power is reversed: which side the control regulates, if any, is its own affair.
    Reversed,
}

impl Demand {
    /// What this reading calls for: nothing while the voltage is in the widened band or the limit is reached.
    ///
    /// # Errors
    /// If it cannot be told, with the reason.
    pub fn of(
        reading: &Reading,
        nameplate: &Nameplate,
        allowance: &Allowance,
    ) -> Result<Option<Self>, Unjudged> {
        Self::of_bank(reading, nameplate, allowance, None)
    }

    /// The same for a unit of a bank that one control moves together by what it measures on one of the units, or by their mean:
    /// a tap is called for only if every unit's voltage calls for it. `others`: lowest and highest load voltage of the
    /// others, V on this unit's base.
    ///
    /// # Errors
    /// As [`Demand::of`].
    pub fn of_bank(
        reading: &Reading,
        nameplate: &Nameplate,
        allowance: &Allowance,
        others: Option<(f64, f64)>,
    ) -> Result<Option<Self>, Unjudged> {
        let get = |q| reading.good(q).ok_or(Unjudged::Missing(q));
        let (tap, voltage_v) = (get(Quantity::Tap)?, get(Quantity::LoadVoltage)?);
        let (set, width) = (get(Quantity::SetVoltage)?, get(Quantity::Bandwidth)?);
        let automatic = reading.flag(Quantity::Automatic).ok_or(Unjudged::Missing(Quantity::Automatic))?;
        if !automatic || reading.flag(Quantity::Blocked) == Some(true) {
            return Err(Unjudged::Held);
        }
        let backward = reading.good(Quantity::RealPower).is_some_and(|kw| kw < -allowance.reverse_kw);
        if backward || reading.flag(Quantity::ReverseFlow) == Some(true) {
            return Err(Unjudged::Reversed);
        }
        let reach = 0.5f64.mul_add(width, allowance.margin_v + compensation_v(reading, nameplate, allowance));
        let raise = voltage_v < set;
        let voltage_v = match others {
            Some((_, highest)) if raise => voltage_v.max(highest),
            Some((lowest, _)) => voltage_v.min(lowest),
            None => voltage_v,
        };
        let edge_v = if raise { set - reach } else { set + reach };
        let out = if raise { voltage_v < edge_v } else { voltage_v > edge_v };
        let (lowest, highest) = (f64::from(nameplate.tap_min), f64::from(nameplate.tap_max));
        let at_limit = if raise { tap >= highest } else { tap <= lowest };
        let delay_s = reading.good(Quantity::TimeDelay).filter(|s| *s >= 0.0);
        Ok((out && !at_limit).then_some(Self { raise, voltage_v, edge_v, delay_s }))
    }
}

/// The most that the compensator can move the voltage that the control holds, V.
fn compensation_v(reading: &Reading, nameplate: &Nameplate, allowance: &Allowance) -> f64 {
    let settings = (reading.good(Quantity::LdcResistance), reading.good(Quantity::LdcReactance));
    let (Some(r), Some(x)) = settings else { return allowance.compensator_v };
    if r == 0.0 && x == 0.0 {
        return 0.0;
    }
    let current = reading.good(Quantity::Current).zip(Bases::of(nameplate));
    current
        .map_or(allowance.compensator_v, |(amperes, bases)| r.hypot(x) * amperes.abs() / bases.ct_primary_a())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Timestamp;

    const ALLOWANCE: Allowance = Allowance { margin_v: 0.75, compensator_v: 6.0, reverse_kw: 3.0 };

    fn low(voltage: f64) -> Reading {
        Reading::new(Timestamp::UNIX_EPOCH)
            .with(Quantity::Tap, 4.0)
            .with(Quantity::LoadVoltage, voltage)
            .with(Quantity::SetVoltage, 122.0)
            .with(Quantity::Bandwidth, 2.0)
            .with(Quantity::Automatic, 1.0)
            .with(Quantity::LdcResistance, 0.0)
            .with(Quantity::LdcReactance, 0.0)
            .with(Quantity::TimeDelay, 30.0)
    }

    fn called(reading: &Reading) -> Result<Option<bool>, Unjudged> {
        Demand::of(reading, &Nameplate::common(), &ALLOWANCE).map(|demand| demand.map(|d| d.raise))
    }

    #[test]
    fn out_of_the_widened_band_calls_for_a_tap() {
        assert_eq!(called(&low(120.3)), Ok(None), "inside 121 V less the margin");
        assert_eq!(called(&low(120.2)), Ok(Some(true)));
        assert_eq!(called(&low(123.8)), Ok(Some(false)));
        let demand = Demand::of(&low(119.0), &Nameplate::common(), &ALLOWANCE).unwrap().unwrap();
        assert!((demand.edge_v - 120.25).abs() < 1e-9);
        assert_eq!(demand.delay_s, Some(30.0));
    }

    #[test]
    fn a_compensator_may_move_the_band_by_its_drop_at_the_present_current() {
        // |3 + j4| V at half the CT's 250 A is 2.5 V
        let compensated = |v| {
            low(v)
                .with(Quantity::LdcResistance, 3.0)
                .with(Quantity::LdcReactance, 4.0)
                .with(Quantity::Current, 125.0)
        };
        assert_eq!(called(&compensated(117.8)), Ok(None));
        assert_eq!(called(&compensated(117.7)), Ok(Some(true)));
        let mut unknown = compensated(117.7);
        unknown.set(Quantity::Current, None, crate::Quality::NotAvailable);
        assert_eq!(called(&unknown), Ok(None), "6 V are allowed");
    }

    #[test]
    fn in_a_ganged_bank_every_unit_must_call() {
        let called = |own, others| {
            Demand::of_bank(&low(own), &Nameplate::common(), &ALLOWANCE, Some(others))
                .unwrap()
                .map(|d| (d.raise, d.voltage_v))
        };
        assert_eq!(called(118.0, (119.0, 122.0)), None, "one of the others is in band");
        assert_eq!(called(118.0, (117.0, 119.5)), Some((true, 119.5)));
        assert_eq!(called(125.0, (121.0, 126.0)), None);
        assert_eq!(called(125.0, (124.5, 126.0)), Some((false, 124.5)));
        assert_eq!(called(118.0, (117.0, 126.0)), None, "they call both ways");
    }

    #[test]
    fn held_reversed_at_the_limit_or_silent_is_no_call() {
        assert_eq!(called(&low(115.0).with(Quantity::Automatic, 0.0)), Err(Unjudged::Held));
        assert_eq!(called(&low(115.0).with(Quantity::Blocked, 1.0)), Err(Unjudged::Held));
        assert_eq!(called(&low(115.0).with(Quantity::RealPower, -40.0)), Err(Unjudged::Reversed));
        assert_eq!(called(&low(115.0).with(Quantity::ReverseFlow, 1.0)), Err(Unjudged::Reversed));
        assert_eq!(called(&low(115.0).with(Quantity::Tap, 16.0)), Ok(None));
        assert_eq!(called(&low(115.0).with(Quantity::Tap, -16.0)), Ok(Some(true)));
        for quantity in [Quantity::Automatic, Quantity::Tap, Quantity::Bandwidth] {
            let mut silent = low(115.0);
            silent.set(quantity, None, crate::Quality::NotAvailable);
            assert_eq!(called(&silent), Err(Unjudged::Missing(quantity)));
        }
    }
}
