//! True causes against those told.

use std::collections::BTreeMap;

use regulator::{
    Timestamp,
    causes::{Assigned, Cause},
};

use crate::{
    at,
    world::{Hold, Run, World},
};

/// Truth and verdict of every record that holds one true operation or several of one cause.
#[derive(Default)]
pub(crate) struct Confusion {
    pub(crate) table: BTreeMap<(&'static str, &'static str), u32>,
    pub(crate) unclear: u32,
}

fn truth_name(hold: Hold) -> &'static str {
    match hold {
        Hold::Source | Hold::Near => Cause::Source.name(),
        Hold::Load => Cause::Load.name(),
        Hold::Solar => Cause::Clouds.name(),
        Hold::Upstream => Cause::Upstream.name(),
        Hold::Band | Hold::Nothing => Cause::Hunting.name(),
    }
}

impl Confusion {
    pub(crate) fn score(&mut self, world: &World, run: &Run, assigned: &[Assigned], verbose: bool) {
        for a in assigned {
            let second = |t: Timestamp| usize::try_from((t - at(0)).num_seconds()).unwrap();
            let (since, shown) = (second(a.operation.since), second(a.operation.at));
            let moved =
                |s: &usize| *s > 0 && run.seconds[*s][1].operations != run.seconds[*s - 1][1].operations;
            let truths: Vec<_> = (since + 1..=shown).filter(moved).map(|s| world.truth(run, s)).collect();
            let first = truths.first().copied().flatten();
            match first.filter(|hold| truths.iter().all(|t| *t == Some(*hold))) {
                None => self.unclear += 1,
                Some(hold) => {
                    if verbose && truth_name(hold) != a.cause.name() {
                        eprintln!(
                            "{} {} {:?} {:?} {:.2}",
                            truth_name(hold),
                            shown,
                            a.cause,
                            a.operation.steps(),
                            a.confidence
                        );
                        for f in &a.evidence {
                            eprintln!("      {} {:.2} {}", f.label, f.value, f.unit);
                        }
                    }
                    *self.table.entry((truth_name(hold), a.cause.name())).or_default() += 1;
                }
            }
        }
    }

    #[track_caller]
    pub(crate) fn assert_right(&self, cause: Cause, least_percent: u32) {
        let (right, all) = self.right(cause);
        assert!(all >= 25, "only {all} operations by {}", cause.name());
        assert!(
            right * 100 >= all * least_percent,
            "{right} of {all} operations by {} are told right",
            cause.name()
        );
    }

    fn right(&self, cause: Cause) -> (u32, u32) {
        let of = |(truth, _): &(&str, &str)| *truth == cause.name();
        let all = self.table.iter().filter(|(key, _)| of(key)).map(|(_, n)| n).sum();
        (self.table.get(&(cause.name(), cause.name())).copied().unwrap_or(0), all)
    }

    pub(crate) fn print(&self, title: &str) {
        println!("\n{title}\n");
        let names: Vec<_> = Cause::ALL.iter().map(|c| c.name()).collect();
        println!("| true cause | {} | right |", names.join(" | "));
        println!("| --- |{} --- |", " ---: |".repeat(names.len()));
        for cause in Cause::ALL {
            let (right, all) = self.right(*cause);
            if all > 0 {
                let row =
                    names.iter().map(|name| self.table.get(&(cause.name(), *name)).copied().unwrap_or(0));
                let row: Vec<_> = row.map(|n| n.to_string()).collect();
                println!(
                    "| {} | {} | {:.0} % |",
                    cause.name(),
                    row.join(" | "),
                    100.0 * f64::from(right) / f64::from(all)
                );
            }
        }
        println!("\n{} records had several causes in about equal parts and are left out.", self.unclear);
    }
}
