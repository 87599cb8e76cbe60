//! True causes against those assigned.

use std::collections::BTreeMap;

use regulator::causes::Cause;

/// Operations by true cause, then assigned cause.
#[derive(Debug, Default)]
pub(super) struct Confusion(pub(super) BTreeMap<(Cause, Cause), u32>);

impl Confusion {
    /// Part of all operations whose cause was told right.
    pub(super) fn right(&self) -> f64 {
        f64::from(self.of(|t, a| t == a)) / f64::from(self.count())
    }

    /// The same of those that truly had this cause.
    pub(super) fn right_of(&self, cause: Cause) -> f64 {
        f64::from(self.of(|t, a| t == cause && a == cause)) / f64::from(self.of(|t, _| t == cause))
    }

    pub(super) fn count(&self) -> u32 {
        self.of(|_, _| true)
    }

    /// How many there are by true and assigned cause.
    pub(super) fn of(&self, which: impl Fn(Cause, Cause) -> bool) -> u32 {
        self.0.iter().filter(|((truth, assigned), _)| which(*truth, *assigned)).map(|(_, n)| n).sum()
    }

    /// As a Markdown table, a row for each true cause; `clear` is the same of the clear cases.
    pub(super) fn print(&self, title: &str, clear: &Self) {
        println!("\n{title}\n");
        let names: Vec<_> = Cause::ALL.iter().map(|c| c.name()).collect();
        println!("| true cause | {} | right | of the clear |", names.join(" | "));
        println!("| --- |{} --- | --- |", " ---: |".repeat(names.len()));
        let percent = |of: &Self, truth| {
            let all = of.of(|t, _| t == truth);
            if all == 0 { "none".to_owned() } else { format!("{:.0} % of {all}", 100.0 * of.right_of(truth)) }
        };
        for truth in Cause::ALL.iter().copied().filter(|c| self.of(|t, _| t == *c) > 0) {
            let counts: Vec<_> =
                Cause::ALL.iter().map(|c| self.of(|t, a| t == truth && a == *c).to_string()).collect();
            println!(
                "| {} | {} | {} | {} |",
                truth.name(),
                counts.join(" | "),
                percent(self, truth),
                percent(clear, truth)
            );
        }
        println!("\n{:.1} % of all are told right.", 100.0 * self.right());
    }
}
