//! A compensator that holds the load centre raises the voltage at the regulator, and so at the first customer, with the load.
//!
//! At peak the regulator's own voltage is the set voltage plus the compensator's drop. Where that is more than the first
//! customer may get, the control's first-house limit has to hold it (and the load centre gets less than was meant), or
//! there is none and the first customer gets too much. The limit is range A's upper edge, 126 V on a 120 V base, less what is
//! granted for metering and flicker (ANSI C84.1; common practice for the rest).

use super::{Finding, Kind, Stage, Weight, fact, short};
use crate::compensator::PerUnitCurrent;

/// The load at which the voltage is judged, and the limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Index of the regulator.
    pub stage: usize,
    /// Its current at peak.
    pub current: PerUnitCurrent,
    /// Highest voltage that the first customer may get, V on the same base.
    pub limit_v: f64,
}

/// Reviews what each compensator raises the voltage to at its peak. A regulator without all of set voltage, bandwidth and
/// compensator is not judged.
#[must_use]
pub fn first_house(stages: &[Stage], peaks: &[Peak]) -> Vec<Finding> {
    peaks.iter().filter_map(|peak| at_peak(stages.get(peak.stage)?, peak)).collect()
}

fn at_peak(stage: &Stage, peak: &Peak) -> Option<Finding> {
    let (set, width, compensator) = (stage.set_voltage_v?, stage.bandwidth_v?, stage.compensator?);
    let held = |relay| compensator.held_voltage(relay, peak.current);
    let (centre, edge) = (held(set)?, held(set + 0.5 * width)?);
    if edge <= peak.limit_v {
        return None;
    }
    let weight = if centre > peak.limit_v { Weight::Attention } else { Weight::Note };
    let words = format!(
        "at peak its compensator (R {} V, X {} V) holds {} V at the regulator, up to {} V at the edge of the band; the first \
         customer may get {} V",
        short(compensator.resistance_v),
        short(compensator.reactance_v),
        short((centre * 10.0).round() / 10.0),
        short((edge * 10.0).round() / 10.0),
        short(peak.limit_v)
    );
    let facts = vec![
        fact("Held at peak, middle of the band", centre, "V"),
        fact("Held at peak, upper edge of the band", edge, "V"),
        fact("Limit at the first customer", peak.limit_v, "V"),
        fact("Peak current, of CT primary", peak.current.in_phase.hypot(peak.current.lagging), ""),
    ];
    Some(Finding { stage: peak.stage, kind: Kind::FirstHouse, weight, words, facts })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{checks::check, compensator::Compensator};

    fn stage(resistance_v: f64, reactance_v: f64) -> Stage<'static> {
        Stage {
            set_voltage_v: Some(122.0),
            bandwidth_v: Some(2.0),
            compensator: Some(Compensator { resistance_v, reactance_v }),
            ..Stage::new("one", None)
        }
    }

    /// IEEE 13-node feeder, phase A: at its published load the compensator of 3 + j9 V needs 127.57 V at the regulator to see
    /// 122.14 V, beyond the 126 V of range A.
    #[test]
    fn the_13_node_feeder_passes_126_v_at_the_regulator() {
        let current = PerUnitCurrent::polar(558.53 / 700.0, 28.57);
        let found = first_house(&[stage(3.0, 9.0)], &[Peak { stage: 0, current, limit_v: 126.0 }]);
        assert_eq!((found.len(), found[0].weight), (1, Weight::Attention));
        assert_eq!(
            found[0].words,
            "at peak its compensator (R 3 V, X 9 V) holds 127.4 V at the regulator, up to 128.4 V at the edge of the band; the \
             first customer may get 126 V"
        );
        // the published operating point is 0.14 V above the middle of the band
        let published = "OpenDSS, taps forced to the published ones";
        check(
            "Voltage held at the regulator, 13-node A, V",
            published,
            127.568,
            found[0].facts[0].value + 0.14,
            0.02,
        );
    }

    #[test]
    fn the_edge_alone_is_a_note_and_less_is_nothing() {
        let current = PerUnitCurrent { in_phase: 1.0, lagging: 0.0 };
        let weigh = |limit_v| {
            first_house(&[stage(3.0, 0.0)], &[Peak { stage: 0, current, limit_v }]).first().map(|f| f.weight)
        };
        assert_eq!(weigh(124.5), Some(Weight::Attention), "122 + 3 V");
        assert_eq!(weigh(125.5), Some(Weight::Note), "126 V at the edge");
        assert_eq!(weigh(126.0), None);
    }

    #[test]
    fn without_its_settings_it_is_not_judged() {
        let peak = Peak { stage: 0, current: PerUnitCurrent { in_phase: 1.0, lagging: 0.0 }, limit_v: 100.0 };
        assert!(first_house(&[Stage::new("one", None)], &[peak]).is_empty());
        assert!(first_house(&[], &[peak]).is_empty());
    }
}
