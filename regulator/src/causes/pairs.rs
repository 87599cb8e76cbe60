//! Causes that show in the operations themselves: by hand, there and back, one undoing the other.

use super::{
    Cause,
    judge::{Case, Judge, Verdict, gap_s},
};
use crate::seconds;

/// The supply has stood still between two operations when it moved less than this part of a step.
const STILL: f64 = 0.6;
/// So much the supply may have helped, V: by what the voltage had passed the first edge before the delay was over, and noise.
const SLACK_V: f64 = 0.3;
/// Bandwidths and steps are as even as this, V.
const EVEN_V: f64 = 0.02;

impl Judge<'_> {
    pub(super) fn by_hand(&self, case: &Case) -> Option<Verdict> {
        if !case.excursion.manual {
            return None;
        }
        let neighbours = self.earlier.iter().chain(self.later);
        let passage = neighbours.filter(|c| c.excursion.manual);
        let there_and_back = passage.filter(|c| c.opposes(case)).count() > 0;
        let travel = self.manual_travel(case);
        let verdict = match (there_and_back, travel) {
            (true, Some(0)) => {
                Verdict::new(Cause::Exercise, 0.85, "in manual, there and back to where it began")
            }
            (true, _) => Verdict::new(Cause::Manual, 0.7, "in manual, there and partly back"),
            (false, _) => Verdict::new(Cause::Manual, 0.95, "the control was not in automatic"),
        };
        Some(verdict.fact("Travel in manual, in all", travel.map_or(0.0, f64::from), "taps"))
    }

    /// Taps travelled, both ways added, by the operations in manual about this one.
    fn manual_travel(&self, case: &Case) -> Option<i32> {
        let about = self.earlier.iter().chain(std::iter::once(case)).chain(self.later);
        let near = about.filter(|c| c.excursion.manual && gap_s(c, case).abs() <= 900.0);
        near.map(|c| c.operation.steps()).sum()
    }

    /// A pair for whose first operation no voltage asked.
    pub(super) fn exercise(
        &self,
        case: &Case,
        undone: Option<&Case>,
        undoing: Option<&Case>,
    ) -> Option<Verdict> {
        let first = undone.filter(|c| c.unasked(self.facts));
        let first = first.or_else(|| undoing.filter(|_| case.unasked(self.facts)).map(|_| case))?;
        let inside_v = first.excursion.inside_v.unwrap_or(0.0);
        let at = first.operation.at;
        let regular =
            self.exercised.filter(|last| seconds(*last, at) > 3600.0 && regular(seconds(*last, at)));
        let verdict = match regular {
            Some(_) => {
                Verdict::new(Cause::Exercise, 0.95, "a pair from within the band, whole days after the last")
            }
            None => {
                Verdict::new(Cause::Exercise, 0.65, "a pair from within the band, for which no voltage asked")
            }
        };
        Some(verdict.fact("Inside the band by", inside_v, "V"))
    }

    /// One of a pair that undo each other while nothing outside moved.
    pub(super) fn hunting(
        &self,
        case: &Case,
        undone: Option<&Case>,
        undoing: Option<&Case>,
    ) -> Option<Verdict> {
        if case.excursion.direction.is_none() && case.operation.count > 1 && case.operation.steps() == Some(0)
        {
            return self.there_and_back(case);
        }
        let pairs = [undone.map(|first| (first, case)), undoing.map(|second| (case, second))];
        pairs.into_iter().flatten().find_map(|(first, second)| self.self_made(first, second))
    }

    fn self_made(&self, first: &Case, second: &Case) -> Option<Verdict> {
        let direction = f64::from(first.excursion.direction?);
        let tap = first.operation.from;
        let ratio = tap.map_or(1.0, |tap| self.facts.changer.ratio(tap.into()));
        let supply = |case: &Case| case.excursion.asked.map(|(supply, add)| supply * ratio + add);
        let moved_v = (supply(second)? - supply(first)?) * direction;
        let still = moved_v < STILL * self.facts.step_v;
        // Between polls far apart nobody saw whether each step of several was asked for; the last one may have been.
        let close = self.facts.poll_s <= first.excursion.delay_s;
        let steps = if close { f64::from(first.operation.steps().map_or(1, i32::abs)) } else { 1.0 };
        let (low, high) = first.excursion.band?;
        // Where the voltage stands after the first operation alone, against the edge it has to pass for the second.
        let before = supply(first)?;
        let alone = before + direction * steps * self.facts.step_v;
        let beyond_v = if direction > 0.0 { alone - high } else { low - alone };
        // A step from the edge of a band of two steps ends at its middle (Short's least band, from memory): what goes on from there moved outside.
        let narrow = high - low < 2.0 * self.facts.step_v - EVEN_V;
        (narrow && still && beyond_v > -SLACK_V).then(|| {
            let confidence =
                if beyond_v > 0.1 && moved_v.abs() < 0.4 * self.facts.step_v { 0.95 } else { 0.75 };
            Verdict::new(
                Cause::Hunting,
                confidence,
                "a step takes the voltage past the other edge of the band",
            )
            .fact("Undone within", gap_s(first, second), "s")
            .fact("Past the other edge by the step alone", beyond_v, "V")
            .fact("Supply moved meanwhile", moved_v, "V")
            .fact("Bandwidth", high - low, "V")
        })
    }

    /// Several operations between two polls that end where they began.
    fn there_and_back(&self, case: &Case) -> Option<Verdict> {
        let (low, high) = case.excursion.band?;
        (high - low < self.facts.step_v).then(|| {
            Verdict::new(
                Cause::Hunting,
                0.7,
                "there and back between two polls, the band narrower than a step",
            )
            .fact("Bandwidth", high - low, "V")
        })
    }
}

/// Whether so many seconds are whole days, give or take a quarter of an hour.
fn regular(seconds: f64) -> bool {
    let days = seconds / 86_400.0;
    days.round() >= 1.0 && (days - days.round()).abs() < 0.011
}
