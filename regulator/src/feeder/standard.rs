//! Settings that differ from the feeder's standard.

use super::{Finding, Kind, Stage, Weight, fact, short};

/// A setting as the standard wants it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expected {
    /// The value wanted.
    pub value: f64,
    /// How far from it is still right; in the value's own unit.
    pub tolerance: f64,
}

/// The settings that a feeder's regulators are meant to have. What is not stated is not judged.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Standard {
    /// Centre of the band, V.
    pub set_voltage_v: Option<Expected>,
    /// Whole width of the band, V.
    pub bandwidth_v: Option<Expected>,
    /// Delay before the first tap, seconds. Say none where delays grow downstream: see [`super::coordination`].
    pub delay_s: Option<Expected>,
    /// Compensator, resistive setting, V.
    pub resistance_v: Option<Expected>,
    /// Compensator, reactive setting, V.
    pub reactance_v: Option<Expected>,
}

/// Reviews the settings against the standard.
#[must_use]
pub fn against_standard(stages: &[Stage], standard: &Standard) -> Vec<Finding> {
    let mut findings = vec![];
    for (index, stage) in stages.iter().enumerate() {
        let compensator = stage.compensator;
        for (what, unit, value, expected) in [
            ("set voltage", "V", stage.set_voltage_v, standard.set_voltage_v),
            ("bandwidth", "V", stage.bandwidth_v, standard.bandwidth_v),
            ("delay", "s", stage.delay_s, standard.delay_s),
            ("compensator R", "V", compensator.map(|c| c.resistance_v), standard.resistance_v),
            ("compensator X", "V", compensator.map(|c| c.reactance_v), standard.reactance_v),
        ] {
            let (Some(value), Some(expected)) = (value, expected) else { continue };
            findings.extend(differs(index, what, unit, value, expected));
        }
    }
    findings
}

fn differs(stage: usize, what: &str, unit: &str, value: f64, expected: Expected) -> Option<Finding> {
    let off = value - expected.value;
    // the last digit of a stored single-precision number is no difference
    if off.abs() <= expected.tolerance + 1e-4 {
        return None;
    }
    let words = format!(
        "{what} {} {unit}, the standard is {} {unit}{}",
        short(value),
        short(expected.value),
        if expected.tolerance > 0.0 {
            format!(" within {} {unit}", short(expected.tolerance))
        } else {
            String::new()
        }
    );
    let facts =
        vec![fact("Set", value, unit), fact("Standard", expected.value, unit), fact("Off by", off, unit)];
    Some(Finding { stage, kind: Kind::OffStandard, weight: Weight::Attention, words, facts })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::compensator::Compensator;

    fn expected(value: f64, tolerance: f64) -> Option<Expected> {
        Some(Expected { value, tolerance })
    }

    /// Settings of the IEEE 13-node feeder's regulator as the standard, those of the 123-node feeder's head against it.
    #[test]
    fn each_setting_that_differs_is_told() {
        let standard = Standard {
            set_voltage_v: expected(122.0, 0.5),
            bandwidth_v: expected(2.0, 0.0),
            delay_s: None,
            resistance_v: expected(3.0, 0.0),
            reactance_v: expected(9.0, 0.5),
        };
        let stage = Stage {
            set_voltage_v: Some(120.0),
            bandwidth_v: Some(2.0),
            delay_s: Some(300.0),
            compensator: Some(Compensator { resistance_v: 3.0, reactance_v: 7.5 }),
            ..Stage::new("head", None)
        };
        let words: Vec<_> = against_standard(&[stage], &standard).into_iter().map(|f| f.words).collect();
        assert_eq!(
            words,
            [
                "set voltage 120 V, the standard is 122 V within 0.5 V",
                "compensator X 7.5 V, the standard is 9 V within 0.5 V"
            ]
        );
    }

    #[test]
    fn what_is_not_known_or_not_wanted_is_not_judged() {
        let standard = Standard { set_voltage_v: expected(122.0, 0.0), ..Standard::default() };
        assert!(against_standard(&[Stage::new("unknown", None)], &standard).is_empty());
        let stage = Stage { set_voltage_v: Some(110.0), ..Stage::new("one", None) };
        assert!(against_standard(&[stage], &Standard::default()).is_empty());
    }

    #[test]
    fn the_edge_of_the_tolerance_is_right() {
        let standard = Standard { set_voltage_v: expected(122.0, 0.5), ..Standard::default() };
        let found = |v| {
            let stage = Stage { set_voltage_v: Some(v), ..Stage::new("one", None) };
            against_standard(&[stage], &standard).len()
        };
        assert_eq!((found(122.5), found(121.5), found(122.6), found(f64::from(122.5_f32))), (0, 0, 1, 0));
    }
}
