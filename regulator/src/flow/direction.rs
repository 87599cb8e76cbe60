//! Which way power flows, and when that cannot be told.
//!
//! From real power alone, with an allowance for what metering can be wrong by: a share of the rating (small currents are metered
//! badly) and an angle (a phase error turns reactive power into real: `S sin(angle)`). Within the allowance the sign is noise. A
//! power factor is no help: its sign means direction for some controls and lead or lag for others. Quadrants after IEEE 1459 and
//! IEC 62053-23 (from memory).

use crate::{Nameplate, Quantity, Reading};

/// Metering error of power, share of what the unit can pass (common practice).
const RATED_SHARE: f64 = 0.005;
/// Phase error of voltage and current transformers together, degrees (IEC 61869-2 class 1 and -3 class 1 at rated, from memory: 60'
/// and 40').
const ANGLE_DEGREES: f64 = 1.67;
/// A current below this share of the rated one is too small to have a direction.
const LEAST_CURRENT_SHARE: f64 = 0.01;

/// Which way power flows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Direction {
    /// From source to load.
    Forward {
        /// How often the allowance power is beyond zero: 1 is just told, 5 is plain.
        margin: f64,
    },
    /// From load to source.
    Reverse {
        /// As for forward.
        margin: f64,
    },
    /// Cannot be told.
    Unknown(Why),
}

/// Why the direction cannot be told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    /// No good real power.
    NoPower,
    /// The current is too small.
    SmallCurrent,
    /// Nearly all power is reactive: the sign of the rest is within the angle error.
    PowerFactorNearZero,
    /// Real power is within its metering error.
    SmallPower,
}

impl Why {
    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::NoPower => "no usable real power",
            Self::SmallCurrent => "the current is too small to have a direction",
            Self::PowerFactorNearZero => {
                "nearly all power is reactive; the sign of the rest is within the angle error"
            }
            Self::SmallPower => "real power is within its metering error",
        }
    }
}

/// The direction that one reading shows.
#[must_use]
pub fn of(nameplate: &Nameplate, reading: &Reading) -> Direction {
    let Some(power_kw) = reading.good(Quantity::RealPower) else { return Direction::Unknown(Why::NoPower) };
    let current = reading.good(Quantity::Current);
    if current.is_some_and(|a| a.abs() < LEAST_CURRENT_SHARE * nameplate.rated_current_a) {
        return Direction::Unknown(Why::SmallCurrent);
    }
    let reactive = reading.good(Quantity::ReactivePower);
    // apparent power from what there is; power alone understates it, which the current mends
    let by_current = current.map_or(0.0, |a| a.abs() * nameplate.rated_voltage_v / 1000.0);
    let apparent = power_kw.hypot(reactive.unwrap_or(0.0)).max(by_current);
    let angle = apparent * ANGLE_DEGREES.to_radians().sin();
    let allowance = RATED_SHARE * nameplate.through_kva() + angle;
    let margin = power_kw.abs() / allowance;
    if margin < 1.0 {
        let reactive_only = angle > RATED_SHARE * nameplate.through_kva();
        return Direction::Unknown(if reactive_only { Why::PowerFactorNearZero } else { Why::SmallPower });
    }
    if power_kw > 0.0 { Direction::Forward { margin } } else { Direction::Reverse { margin } }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Timestamp;

    fn direction(p: f64, q: f64, a: f64) -> Direction {
        // passes 1000 kVA
        let nameplate = Nameplate { kva: 100.0, rated_current_a: 131.2, ..Nameplate::common() };
        let reading = Reading::new(Timestamp::UNIX_EPOCH)
            .with(Quantity::RealPower, p)
            .with(Quantity::ReactivePower, q)
            .with(Quantity::Current, a);
        of(&nameplate, &reading)
    }

    /// The four quadrants (IEC 62053-23, from memory): I and IV forward, II and III reverse, whatever reactive power does.
    #[test]
    fn four_quadrants() {
        for (p, q) in [(300.0, 200.0), (300.0, -200.0)] {
            assert!(matches!(direction(p, q, 47.0), Direction::Forward { margin } if margin > 5.0));
            assert!(matches!(direction(-p, q, 47.0), Direction::Reverse { margin } if margin > 5.0));
        }
    }

    /// 5 kW is half a per cent of 1000 kVA; 400 kvar by sin 1.67 degrees is 11.7 kW (arithmetic).
    #[test]
    fn within_noise_is_unknown_and_says_why() {
        assert_eq!(direction(-4.0, 0.0, 20.0), Direction::Unknown(Why::SmallPower));
        assert_eq!(direction(-15.0, 400.0, 52.5), Direction::Unknown(Why::PowerFactorNearZero));
        assert_eq!(direction(-20.0, 0.0, 1.0), Direction::Unknown(Why::SmallCurrent));
        assert!(matches!(direction(-20.0, 400.0, 52.5), Direction::Reverse { .. }));
        let none = of(&Nameplate::common(), &Reading::new(Timestamp::UNIX_EPOCH));
        assert_eq!(none, Direction::Unknown(Why::NoPower));
    }
}
