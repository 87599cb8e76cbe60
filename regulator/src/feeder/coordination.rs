//! Delays of regulators in series: the one nearest the source acts first, each one downstream waits longer.
//!
//! Common practice, no standard: 30 to 60 s at the first, 10 to 15 s more at each one downstream (some say 15 to 30 s). Else two
//! in series answer the same change of voltage, and the downstream one has to undo its taps. Test feeder scripts in open
//! circulation have 15 s at the head and 30 s downstream.

use super::{Finding, Kind, Stage, Weight, fact, short};

/// How much longer each regulator downstream is to wait.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coordination {
    /// Seconds more than the one upstream, at least.
    pub least_s: f64,
    /// Shortest delay usual at all, seconds: below it a regulator follows what would pass by itself.
    pub shortest_s: f64,
}

impl Default for Coordination {
    /// 10 s more at each; 15 s at least.
    fn default() -> Self {
        Self { least_s: 10.0, shortest_s: 15.0 }
    }
}

/// Reviews the delays of a feeder's regulators. Where the delay of the one upstream is not known the next one further up is
/// taken, with one margin for each between.
#[must_use]
pub fn coordination(stages: &[Stage], practice: &Coordination) -> Vec<Finding> {
    let mut findings = vec![];
    for (index, stage) in stages.iter().enumerate() {
        let Some(delay) = stage.delay_s else { continue };
        if let Some((upstream, upstream_delay, between)) = known_upstream(stages, index) {
            findings.extend(order(index, delay, stages[upstream].name, upstream_delay, between, practice));
        }
        if delay < practice.shortest_s {
            findings.push(Finding {
                stage: index,
                kind: Kind::DelayOrder,
                weight: Weight::Note,
                words: format!(
                    "waits {} s, less than the {} s usual at least: it taps for changes that pass by themselves",
                    short(delay),
                    short(practice.shortest_s)
                ),
                facts: vec![fact("Delay", delay, "s"), fact("Usual at least", practice.shortest_s, "s")],
            });
        }
    }
    findings
}

/// The nearest regulator upstream whose delay is known: its index, its delay, how many stages lie between. A list that goes in a
/// circle is followed no further than it is long.
fn known_upstream(stages: &[Stage], of: usize) -> Option<(usize, f64, u32)> {
    let mut at = of;
    for between in (1..).take(stages.len()) {
        at = stages.get(at)?.upstream.filter(|&up| up != of)?;
        if let Some(delay) = stages.get(at)?.delay_s {
            return Some((at, delay, between));
        }
    }
    None
}

fn order(
    stage: usize,
    delay: f64,
    upstream: &str,
    upstream_delay: f64,
    between: u32,
    practice: &Coordination,
) -> Option<Finding> {
    let wanted = practice.least_s * f64::from(between);
    let longer = delay - upstream_delay;
    // settings are whole seconds; half of one is the report's rounding
    if longer + 0.5 >= wanted {
        return None;
    }
    let (weight, relation) = match longer {
        l if l < -0.5 => (Weight::Attention, "acts before it"),
        l if l < 0.5 => (Weight::Attention, "acts at the same time"),
        _ => (Weight::Note, "follows it closely"),
    };
    let words = format!(
        "waits {} s and {upstream}, upstream of it, {} s: it {relation}; common practice is at least {} s longer",
        short(delay),
        short(upstream_delay),
        short(wanted)
    );
    let facts = vec![
        fact("Delay", delay, "s"),
        fact("Delay upstream", upstream_delay, "s"),
        fact("Longer by", longer, "s"),
        fact("Common practice, at least", wanted, "s"),
    ];
    Some(Finding { stage, kind: Kind::DelayOrder, weight, words, facts })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(delays: &[Option<f64>]) -> Vec<Stage<'static>> {
        let names = ["first", "second", "third", "fourth"];
        let stage = |(i, delay): (usize, &Option<f64>)| Stage {
            delay_s: *delay,
            ..Stage::new(names[i], i.checked_sub(1))
        };
        delays.iter().enumerate().map(stage).collect()
    }

    fn words(delays: &[Option<f64>]) -> Vec<String> {
        coordination(&line(delays), &Coordination::default()).into_iter().map(|f| f.words).collect()
    }

    /// Common practice: 10 to 15 s longer at each; the 123-node test feeder's script has 15 s at the head and 30 s downstream.
    #[test]
    fn delays_that_grow_downstream_are_right() {
        assert!(words(&[Some(30.0), Some(45.0), Some(60.0)]).is_empty());
        assert!(words(&[Some(15.0), Some(30.0)]).is_empty());
        assert!(words(&[Some(30.0), Some(40.0)]).is_empty(), "10 s is enough");
    }

    #[test]
    fn equal_and_shrinking_delays_are_told() {
        assert_eq!(
            words(&[Some(30.0), Some(30.0), Some(20.0)]),
            [
                "waits 30 s and first, upstream of it, 30 s: it acts at the same time; common practice is at least 10 s longer",
                "waits 20 s and second, upstream of it, 30 s: it acts before it; common practice is at least 10 s longer",
            ]
        );
        let close = coordination(&line(&[Some(30.0), Some(35.0)]), &Coordination::default());
        assert_eq!((close.len(), close[0].weight), (1, Weight::Note));
    }

    #[test]
    fn a_gap_in_what_is_known_is_bridged_with_a_margin_for_each() {
        assert!(words(&[Some(30.0), None, Some(50.0)]).is_empty());
        assert_eq!(words(&[Some(30.0), None, Some(45.0)]).len(), 1, "two margins are 20 s");
        assert!(words(&[None, Some(30.0)]).is_empty());
    }

    #[test]
    fn two_branches_are_both_measured_by_their_own_upstream() {
        let mut stages = line(&[Some(30.0), Some(45.0), Some(45.0)]);
        stages[2].upstream = Some(0);
        assert!(coordination(&stages, &Coordination::default()).is_empty());
    }

    #[test]
    fn a_very_short_delay_and_a_circle_of_upstreams() {
        assert_eq!(words(&[Some(5.0)]).len(), 1);
        let mut stages = line(&[None, None, Some(30.0)]);
        stages[0].upstream = Some(2);
        stages[1].upstream = Some(0);
        assert!(coordination(&stages, &Coordination::default()).is_empty(), "ends, and finds nothing");
    }
}
