//! The settings of a feeder's regulators, against one another and against the feeder's standard.
//!
//! Four reviews, each a function that gives [`Finding`]s with words and numbers for a page: [`coordination`] of delays,
//! [`against_standard`], [`bands`] too narrow for the steps, and [`first_house`]: what a compensator raises the voltage to at
//! peak; [`review`] is all of them. A setting that is not known is not judged.

mod coordination;
mod first_house;
mod narrow_band;
mod standard;

pub use coordination::{Coordination, coordination};
pub use first_house::{Peak, first_house};
pub use narrow_band::bands;
pub use standard::{Expected, Standard, against_standard};

use crate::{compensator::Compensator, conditions::Fact};

/// One regulator (or bank with one setting) of a feeder, as its settings are known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stage<'a> {
    /// Its name, for the words.
    pub name: &'a str,
    /// Index of the next regulator towards the source in the same list; nothing for the first.
    pub upstream: Option<usize>,
    /// Centre of the band, V.
    pub set_voltage_v: Option<f64>,
    /// Whole width of the band, V.
    pub bandwidth_v: Option<f64>,
    /// Delay before the first tap, seconds.
    pub delay_s: Option<f64>,
    /// Line-drop compensator; nothing where not both settings are known.
    pub compensator: Option<Compensator>,
    /// What one tap is worth, V on the same base as the voltages here.
    pub step_v: f64,
}

impl<'a> Stage<'a> {
    /// A regulator of this name of whose settings nothing is known; a step of 0.75 V.
    #[must_use]
    pub const fn new(name: &'a str, upstream: Option<usize>) -> Self {
        Self {
            name,
            upstream,
            set_voltage_v: None,
            bandwidth_v: None,
            delay_s: None,
            compensator: None,
            step_v: 0.75,
        }
    }
}

/// What kind of thing was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Kind {
    /// A delay no longer, or hardly longer, than that of the regulator upstream.
    DelayOrder,
    /// A setting that differs from the feeder's standard.
    OffStandard,
    /// A band narrower than two steps.
    NarrowBand,
    /// A compensator that raises the voltage at the regulator beyond what the first customer may get.
    FirstHouse,
}

/// How much it matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Weight {
    /// Worth knowing.
    Note,
    /// Wants a look by an engineer.
    Attention,
}

/// One thing found about a setting.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// Index of the regulator in the list that was reviewed.
    pub stage: usize,
    /// What kind.
    pub kind: Kind,
    /// How much it matters.
    pub weight: Weight,
    /// One sentence with the numbers, without the regulator's own name.
    pub words: String,
    /// The numbers themselves.
    pub facts: Vec<Fact>,
}

/// All four reviews, by regulator, what wants a look first.
#[must_use]
pub fn review(
    stages: &[Stage],
    practice: &Coordination,
    standard: &Standard,
    peaks: &[Peak],
) -> Vec<Finding> {
    let mut findings = coordination(stages, practice);
    findings.extend(against_standard(stages, standard));
    findings.extend(bands(stages));
    findings.extend(first_house(stages, peaks));
    findings.sort_by_key(|finding| (finding.stage, std::cmp::Reverse(finding.weight), finding.kind));
    findings
}

/// One fact.
fn fact(label: &str, value: f64, unit: &str) -> Fact {
    Fact { label: label.to_owned(), value, unit: unit.to_owned() }
}

/// A number with at most two decimals, none of them a trailing zero.
fn short(value: f64) -> String {
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::compensator::PerUnitCurrent;

    #[test]
    fn a_review_has_all_of_them_in_order() {
        let first = Stage { delay_s: Some(30.0), bandwidth_v: Some(1.0), ..Stage::new("first", None) };
        let second = Stage {
            delay_s: Some(35.0),
            set_voltage_v: Some(124.0),
            bandwidth_v: Some(2.0),
            compensator: Some(Compensator { resistance_v: 4.0, reactance_v: 0.0 }),
            ..Stage::new("second", Some(0))
        };
        let standard = Standard {
            set_voltage_v: Some(Expected { value: 122.0, tolerance: 0.5 }),
            ..Standard::default()
        };
        let peak = Peak { stage: 1, current: PerUnitCurrent { in_phase: 1.0, lagging: 0.0 }, limit_v: 126.0 };
        let found = review(&[first, second], &Coordination::default(), &standard, &[peak]);
        let kinds: Vec<_> = found.iter().map(|f| (f.stage, f.kind)).collect();
        assert_eq!(
            kinds,
            [(0, Kind::NarrowBand), (1, Kind::OffStandard), (1, Kind::FirstHouse), (1, Kind::DelayOrder)]
        );
        assert!(found.iter().all(|f| !f.facts.is_empty() && !f.words.is_empty()));
    }

    #[test]
    fn a_feeder_set_as_the_practice_wants_it_has_no_findings() {
        let stage = |name, upstream, delay| Stage {
            delay_s: Some(delay),
            set_voltage_v: Some(122.0),
            bandwidth_v: Some(2.0),
            compensator: Some(Compensator::OFF),
            ..Stage::new(name, upstream)
        };
        let stages = [stage("head", None, 30.0), stage("middle", Some(0), 45.0), stage("end", Some(1), 60.0)];
        assert!(review(&stages, &Coordination::default(), &Standard::default(), &[]).is_empty());
    }
}
