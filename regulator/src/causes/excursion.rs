//! How the voltage came to leave the band before an operation.

use super::{
    Facts, LineDrop,
    samples::{Sample, Samples},
};
use crate::{Timestamp, operations::Operation, seconds};

/// Tolerance at the edges of the band, V: a step of the reported voltage.
const EDGE_V: f64 = 0.1;
/// The search for where the voltage came from goes back this far, s, or four delays.
const LOOK_BACK_S: f64 = 600.0;
/// Less movement than this inside that time, V, and the search goes back to the operation before.
const LITTLE_V: f64 = 0.45;

/// What the readings before an operation say.
#[derive(Debug, Clone)]
pub(super) struct Excursion {
    /// The reading before the operation, and the one that shows it.
    pub(super) since: Timestamp,
    pub(super) at: Timestamp,
    /// 1 raise, -1 lower.
    pub(super) direction: Option<i32>,
    pub(super) delay_s: f64,
    pub(super) band: Option<(f64, f64)>,
    /// What the control held just before, at the position before, V.
    pub(super) held_v: Option<f64>,
    /// The supply that asked for it, and the compensator's part, V.
    pub(super) asked: Option<(f64, f64)>,
    /// Seconds out of band, by the samples; none when no sample was.
    pub(super) out_s: Option<f64>,
    /// How far inside the edge the voltage was, where no sample was out and none between can have been, V.
    pub(super) inside_v: Option<f64>,
    /// Where it came from.
    pub(super) course: Option<Course>,
    /// The settings had changed, and by the old ones the voltage was in band.
    pub(super) by_setting: bool,
    /// Out of automatic, at the reading before or after.
    pub(super) manual: bool,
}

/// Movement of what the control holds, from the furthest the other way to just before the operation.
#[derive(Debug, Clone, Copy)]
pub(super) struct Course {
    /// Towards the edge that was passed, V.
    pub(super) moved_v: f64,
    /// Of it by load through this regulator, V; none where that cannot be said.
    pub(super) load_v: Option<f64>,
    /// Whether the line's slopes have been learnt; if not, `load_v` is all or nothing.
    pub(super) learnt: bool,
    /// Change of load, real and reactive, per unit.
    pub(super) load: Option<(f64, f64)>,
    pub(super) has_reactive: bool,
    /// The greatest part of the real change that came from one reading to the next.
    pub(super) sharpest: Option<f64>,
}

impl Excursion {
    /// Looks back from an operation whose readings, the one that shows it included, are all in `samples`.
    pub(super) fn before(
        facts: &Facts,
        drop: &LineDrop,
        samples: &Samples,
        operation: &Operation,
        last: Option<(&Sample, Option<i32>)>,
    ) -> Self {
        let direction = operation.direction(facts.step_v).filter(|d| *d != 0);
        let since = samples.before(operation.since);
        let shown = samples.before(operation.at);
        let band = since.and_then(|s| s.band).or_else(|| shown.and_then(|s| s.band));
        let delay_s = since.and_then(|s| s.delay_s).unwrap_or(facts.usual_delay_s);
        let mut excursion = Self {
            since: operation.since,
            at: operation.at,
            direction,
            delay_s,
            band,
            held_v: since.and_then(|s| s.relay_v),
            asked: None,
            out_s: None,
            inside_v: None,
            course: None,
            by_setting: false,
            manual: operation.before.automatic == Some(false) || operation.after.automatic == Some(false),
        };
        let Some(direction) = direction else { return excursion };
        let out = Episode::before(samples, operation.since, direction);
        excursion.out_s = out.map(|e| seconds(e.began, operation.at));
        let now = match (&out, shown) {
            (Some(e), _) => recent(samples, operation.since, e.began),
            // Between two polls: the reading after shows the same supply.
            (None, Some(shown)) => vec![*shown],
            (None, None) => vec![],
        };
        let asked =
            mean(now.iter().filter_map(|s| s.supply_v)).zip(mean(now.iter().map(|s| s.compensation_v)));
        excursion.asked = asked;
        let held = mean(now.iter().filter_map(|s| s.held_v(facts, operation.from)));
        if out.is_none() {
            excursion.inside_v = inside(band, held, excursion.held_v, direction);
        }
        let began = out.map_or(operation.since, |e| e.began);
        let look_back_s = LOOK_BACK_S.max(4.0 * delay_s);
        excursion.by_setting = setting_changed(samples, operation, look_back_s, held, direction);
        if let Some(held) = held.filter(|_| !now.is_empty()) {
            let reference = last.map(|(sample, _)| sample).filter(|r| r.at < began);
            // What was before an operation the other way, that one has answered, unless the voltage never came back into the band; one
            // the same way has answered a part of the same movement.
            let other_way = last.is_some_and(|(_, way)| way != Some(direction));
            let answered = reference.filter(|_| other_way).map(|r| seconds(r.at, began));
            let look_back_s = answered.map_or(look_back_s, |s| s.min(look_back_s));
            let view = View {
                facts,
                drop,
                samples,
                tap: operation.from,
                way: f64::from(-direction),
                answered: reference.map(|r| r.at),
            };
            excursion.course = view.course(&now, held, began, look_back_s, reference);
        }
        excursion
    }
}

/// The run of samples out of band, on the side that asks for the operation, that ends with the last before it.
#[derive(Clone, Copy)]
struct Episode {
    began: Timestamp,
}

impl Episode {
    fn before(samples: &Samples, since: Timestamp, direction: i32) -> Option<Self> {
        let out = |s: &&Sample| match (s.relay_v, s.band) {
            (Some(v), Some((low, high))) => {
                if direction > 0 {
                    v < low + EDGE_V
                } else {
                    v > high - EDGE_V
                }
            }
            _ => false,
        };
        let first = samples.back_from(since).take_while(out).last()?;
        Some(Self { began: first.at })
    }
}

/// The last three samples of the half minute before, out of band all of them.
fn recent(samples: &Samples, since: Timestamp, began: Timestamp) -> Vec<Sample> {
    let close = samples.back_from(since).take_while(|s| s.at >= began && seconds(s.at, since) <= 30.0);
    close.take(3).copied().collect()
}

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (sum, n) = values.fold((0.0, 0.0), |(sum, n), v| (sum + v, n + 1.0));
    (n > 0.0).then(|| sum / n)
}

/// How far inside its edge the voltage was by both readings about the operation; none where one of them was not.
fn inside(band: Option<(f64, f64)>, after: Option<f64>, before: Option<f64>, direction: i32) -> Option<f64> {
    let (low, high) = band?;
    let margin = |v: f64| if direction > 0 { v - low } else { high - v };
    let least = margin(after?).min(margin(before?));
    (least > 0.0).then_some(least)
}

/// Whether the band moved within the time looked back over, and the voltage was in the old one.
fn setting_changed(
    samples: &Samples,
    operation: &Operation,
    look_back_s: f64,
    held: Option<f64>,
    direction: i32,
) -> bool {
    let Some(held) = held else { return false };
    let mut bands = samples.back_from(operation.at).filter_map(|s| Some((s.at, s.band?)));
    let Some((_, now)) = bands.next() else { return false };
    let out = |(low, high): (f64, f64)| if direction > 0 { held < low } else { held > high };
    let recent = bands.take_while(|(at, _)| seconds(*at, operation.at) <= look_back_s);
    let differs = |band: (f64, f64)| (band.0 - now.0).abs() > 0.05 || (band.1 - now.1).abs() > 0.05;
    let Some((_, old)) = recent.into_iter().find(|(_, band)| differs(*band)) else { return false };
    out(now) && !out(old)
}

/// What a search for the course needs.
struct View<'a> {
    facts: &'a Facts,
    drop: &'a LineDrop,
    samples: &'a Samples,
    tap: Option<i32>,
    /// Which way the voltage had gone: 1 up, -1 down.
    way: f64,
    /// The last operation: the shape of a change of load is looked for after it.
    answered: Option<Timestamp>,
}

impl View<'_> {
    fn course(
        &self,
        now: &[Sample],
        held: f64,
        began: Timestamp,
        look_back_s: f64,
        reference: Option<&Sample>,
    ) -> Option<Course> {
        let near = self.furthest(began, look_back_s).and_then(|from| self.from(&from, now, held));
        if near.is_some_and(|course| course.moved_v >= LITTLE_V) {
            return near;
        }
        let far = reference.and_then(|from| self.from(&[*from], now, held));
        match (near, far) {
            (Some(near), Some(far)) => Some(if far.moved_v > near.moved_v { far } else { near }),
            (near, far) => near.or(far),
        }
    }

    /// The three samples in a row that were furthest the other way.
    fn furthest(&self, began: Timestamp, look_back_s: f64) -> Option<Vec<Sample>> {
        let window: Vec<Sample> = self
            .samples
            .back_from(began)
            .take_while(|s| seconds(s.at, began) <= look_back_s)
            .filter(|s| s.supply_v.is_some())
            .copied()
            .collect();
        let size = window.len().min(if self.facts.poll_s < 30.0 { 3 } else { 2 });
        let held = |run: &[Sample]| mean(run.iter().filter_map(|s| s.held_v(self.facts, self.tap)));
        let runs = window.windows(size.max(1)).filter_map(|run| Some((held(run)? * self.way, run)));
        runs.min_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, run)| run.to_vec())
    }

    fn from(&self, from: &[Sample], now: &[Sample], held: f64) -> Option<Course> {
        let (first, last) = (from.last()?, now.first()?);
        let was = mean(from.iter().filter_map(|s| s.held_v(self.facts, self.tap)))?;
        let moved_v = self.way * (held - was);
        let load = load_change(from, now);
        let compensation =
            mean(now.iter().map(|s| s.compensation_v))? - mean(from.iter().map(|s| s.compensation_v))?;
        let ratio = self.tap.map_or(1.0, |tap| self.facts.changer.ratio(tap.into()));
        let learnt = load.and_then(|(real, reactive)| self.drop.volts(real, reactive));
        let load_v = match (learnt, load) {
            (Some(volts), _) => Some(self.way * (volts * ratio + compensation)),
            // Not learnt yet: a change of load that fits the movement is taken for all of it.
            (None, Some((real, _))) => {
                let fits = real.abs() > 0.04 && real * self.way < 0.0;
                Some(if fits { moved_v } else { self.way * compensation })
            }
            (None, None) => None,
        };
        Some(Course {
            moved_v,
            load_v,
            learnt: learnt.is_some(),
            load,
            has_reactive: last.load.is_some_and(|l| l.has_reactive),
            sharpest: load
                .and_then(|_| self.sharpest(self.answered.map_or(first.at, |at| at.max(first.at)), last.at)),
        })
    }

    /// The greatest change of real load from one sample to the next, over the whole change.
    fn sharpest(&self, from: Timestamp, to: Timestamp) -> Option<f64> {
        let loads: Vec<f64> = self
            .samples
            .back_from(to)
            .take_while(|s| s.at >= from)
            .filter_map(|s| s.load.map(|l| l.real))
            .collect();
        let whole = loads.first()? - loads.last()?;
        if whole.abs() < 0.02 {
            return None;
        }
        let jumps = loads.windows(2).map(|pair| (pair[0] - pair[1]) * whole.signum());
        Some(jumps.fold(0.0, f64::max) / whole.abs())
    }
}

fn load_change(from: &[Sample], now: &[Sample]) -> Option<(f64, f64)> {
    let (first, last) = (from.iter().find_map(|s| s.load)?, now.iter().find_map(|s| s.load)?);
    last.since(&first)?;
    let average = |samples: &[Sample], part: fn(&super::samples::Load) -> f64| {
        mean(samples.iter().filter_map(|s| s.load.as_ref().map(part)))
    };
    let real = average(now, |l| l.real)? - average(from, |l| l.real)?;
    let reactive = average(now, |l| l.reactive)? - average(from, |l| l.reactive)?;
    Some((real, reactive))
}
