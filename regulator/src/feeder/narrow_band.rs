//! Bands too narrow for the steps.
//!
//! A tap moves the voltage by a step; a band narrower than two of them leaves a control that has just tapped in need of tapping
//! back: it hunts. At least twice the step, 1.5 V on 120 V; 2 to 3 V is usual (T. A. Short, Electric Power Distribution
//! Handbook, and Kersting, both from memory).

use super::{Finding, Kind, Stage, Weight, fact, short};

/// Steps that a band must be wide, at least.
const LEAST_STEPS: f64 = 2.0;

/// Reviews the bandwidths.
#[must_use]
pub fn bands(stages: &[Stage]) -> Vec<Finding> {
    let narrow = |(index, stage): (usize, &Stage)| {
        let width = stage.bandwidth_v?;
        let least = LEAST_STEPS * stage.step_v;
        // a hundredth of a volt is the report's rounding
        (width + 0.01 < least).then(|| Finding {
            stage: index,
            kind: Kind::NarrowBand,
            weight: Weight::Attention,
            words: format!(
                "band of {} V is narrower than two steps of {} V: it may hunt; at least {} V is common practice",
                short(width),
                short(stage.step_v),
                short(least)
            ),
            facts: vec![
                fact("Bandwidth", width, "V"),
                fact("Step", stage.step_v, "V"),
                fact("Two steps", least, "V"),
            ],
        })
    };
    stages.iter().enumerate().filter_map(narrow).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(width: f64, step_v: f64) -> usize {
        bands(&[Stage { bandwidth_v: Some(width), step_v, ..Stage::new("one", None) }]).len()
    }

    #[test]
    fn two_steps_are_enough() {
        assert_eq!((found(1.5, 0.75), found(2.0, 0.75), found(1.4, 0.75)), (0, 0, 1));
        assert_eq!((found(2.0, 1.5), found(3.0, 1.5)), (1, 0), "16 steps of 1.5 V");
        assert!(bands(&[Stage::new("unknown", None)]).is_empty());
    }

    /// IEEE 123-node feeder, bank 25-26: a band of 1 V, narrower than two steps of 0.75 V.
    #[test]
    fn a_published_band_of_one_volt_is_narrow() {
        let stage = Stage { bandwidth_v: Some(1.0), ..Stage::new("25-26", None) };
        assert_eq!(
            bands(&[stage])[0].words,
            "band of 1 V is narrower than two steps of 0.75 V: it may hunt; at least 1.5 V is common practice"
        );
    }
}
