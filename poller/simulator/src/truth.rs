//! Causes of operations against what the physics knows: the readings are all that `regulator::causes` has, the truth is taken from
//! currents, light and taps that no control reports.
//!
//! The truth of an operation: the voltage that the control holds is cut into parts (supply, the regulator's own load, the light on panels behind
//! it, taps upstream), and the part that moved it most towards the edge, from the furthest the other way within ten minutes, is the cause.
//! Where no part moved and the operation undoes one of the last five minutes, it is hunting. The line's ratios are left out of the parts
//! (they are within 10 % of one), and loads elsewhere count as supply, as they do in `regulator::causes`.

use std::collections::{BTreeMap, VecDeque};

use chrono::TimeDelta;
use regulator::causes::{Assigned, Cause, Facts, OperationWindow, Place, UNDONE_S, Watcher};
use regulator::{Nameplate, Reading, Timestamp};

use crate::Fleet;
use crate::plan::utility;
use crate::sky::clear_sky;

const PARTS: [Cause; 4] = [Cause::Source, Cause::Load, Cause::Clouds, Cause::Upstream];
/// What is looked back over, seconds, and what counts as movement, V.
const LOOK_BACK_S: i64 = 600;
const MOVED_V: f64 = 0.2;
/// Less movement than this, V, and the search goes back as far as the operation before, half an hour at most.
const LITTLE_V: f64 = 0.45;
const JUST_S: i64 = 180;
const LONGEST_S: i64 = 1800;

/// One regulator under its two observers.
struct Watched {
    site: String,
    facts: Facts,
    watcher: Watcher,
    upstream: Vec<usize>,
    windows: VecDeque<OperationWindow>,
    seen: Option<Timestamp>,
    /// Instant and parts, V, of the last half hour.
    parts: VecDeque<(Timestamp, [f64; 4])>,
    tap: i32,
    last: Option<(Timestamp, i32)>,
    truths: Vec<Truth>,
}

/// Why one operation was made.
#[derive(Debug, Clone, Copy)]
struct Truth {
    at: Timestamp,
    cause: Cause,
    /// The greatest part is at least half as much again as the next.
    clear: bool,
    parts: [f64; 4],
    from: Timestamp,
}

/// Operations by true cause, then assigned cause.
#[derive(Debug, Default)]
struct Confusion(BTreeMap<(Cause, Cause), u32>);

impl Confusion {
    fn right(&self) -> f64 {
        let right: u32 = self.0.iter().filter(|((t, a), _)| t == a).map(|(_, n)| n).sum();
        f64::from(right) / f64::from(self.count())
    }

    fn count(&self) -> u32 {
        self.0.values().sum()
    }

    fn of(&self, truth: impl Fn(Cause) -> bool, assigned: impl Fn(Cause) -> bool) -> u32 {
        self.0.iter().filter(|((t, a), _)| truth(*t) && assigned(*a)).map(|(_, n)| n).sum()
    }

    /// As a Markdown table, a row for each true cause.
    fn table(&self, title: &str) -> String {
        let columns: Vec<Cause> = Cause::ALL
            .iter()
            .copied()
            .filter(|c| self.of(|t| t == *c, |_| true) + self.of(|_| true, |a| a == *c) > 0)
            .collect();
        let row = |cells: Vec<String>| format!("| {} |\n", cells.join(" | "));
        let names = columns.iter().map(|c| c.name().to_owned());
        let mut text =
            format!("{title}: {} operations, {:.1} % right\n\n", self.count(), 100.0 * self.right());
        text += &row(std::iter::once("true \\ assigned".to_owned()).chain(names).collect());
        text += &format!("|---|{}\n", "--:|".repeat(columns.len()));
        for truth in columns.iter().filter(|c| self.of(|t| t == **c, |_| true) > 0) {
            let counts = columns.iter().map(|a| self.of(|t| t == *truth, |c| c == *a).to_string());
            text += &row(std::iter::once(truth.name().to_owned()).chain(counts).collect());
        }
        text
    }
}

impl Fleet {
    /// What makes up the voltage that the control of a regulator holds, V, its own tap left out; see the head.
    fn parts(&self, number: usize, taps: &[i32], sun: f64) -> [f64; 4] {
        let (unit, state) = (&self.plan.regulators[number], &self.state.units[number]);
        let c = unit.conductor;
        let own = self.plan.nodes.iter().position(|n| n.bank == Some(unit.bank)).unwrap();
        let (mut r, mut x, mut upstream, mut moves) = (0.0, 0.0, 0.0, 0.0);
        for node in self.above(own) {
            r += self.plan.nodes[node].drop_per_ampere.0;
            x += self.plan.nodes[node].drop_per_ampere.1;
            if node != own
                && let Some(u) = self.regulator_in(node, c)
            {
                upstream += 0.75 * f64::from(taps[u]);
                moves += 0.75 * f64::from(self.state.units[u].tap - taps[u]);
            }
        }
        let behind = self
            .plan
            .plants
            .iter()
            .zip(&self.state.light)
            .filter(|(p, _)| self.above(p.node).any(|n| n == own));
        let light_a: f64 = behind.map(|(plant, light)| plant.rated_a[c] * sun * light).sum();
        let load_a = state.in_phase_a + light_a;
        let compensator = state.settings(&unit.settings).forward.compensator;
        let (rc, xc) =
            (compensator.resistance_v / unit.ct_primary_a(), compensator.reactance_v / unit.ct_primary_a());
        let source = state.source_v + r * state.in_phase_a + x * state.lagging_a - upstream - moves;
        [source, -(r + rc) * load_a - (x + xc) * state.lagging_a, (r + rc) * light_a, upstream]
    }

    /// A node and those between it and the substation.
    fn above(&self, node: usize) -> impl Iterator<Item = usize> {
        std::iter::successors(Some(node), |n| self.plan.nodes[*n].parent)
    }

    fn regulator_in(&self, node: usize, conductor: usize) -> Option<usize> {
        let bank = &self.plan.banks[self.plan.nodes[node].bank?];
        (bank.first..bank.first + bank.count).find(|u| self.plan.regulators[*u].conductor == conductor)
    }
}

impl Watched {
    fn new(fleet: &Fleet, number: usize, poll_s: f64) -> Self {
        let member = fleet.member(number).unwrap();
        let place = Place::Coordinates { latitude: member.latitude, longitude: member.longitude };
        let unit = &fleet.plan.regulators[number];
        let own = fleet.plan.nodes.iter().position(|n| n.bank == Some(unit.bank)).unwrap();
        let above = fleet.above(own).skip(1).filter_map(|n| fleet.regulator_in(n, unit.conductor));
        Self {
            site: member.site.to_owned(),
            facts: Facts::new(&Nameplate { poll_interval_s: poll_s, ..member.nameplate.clone() }, place),
            watcher: Watcher::default(),
            upstream: above.collect(),
            windows: VecDeque::new(),
            seen: None,
            parts: VecDeque::new(),
            tap: fleet.state.units[number].tap,
            last: None,
            truths: vec![],
        }
    }

    /// The physics has come to this instant.
    fn know(&mut self, fleet: &Fleet, number: usize, taps: &[i32], sun: f64) {
        let now = fleet.state.now;
        let tap = fleet.state.units[number].tap;
        // The controls looked before the taps of this step were moved: what those upstream have just done is left out.
        self.parts.push_back((now, fleet.parts(number, taps, sun)));
        while self.parts.front().is_some_and(|(at, _)| *at < now - TimeDelta::seconds(LONGEST_S)) {
            self.parts.pop_front();
        }
        if tap != self.tap {
            let way = (tap - self.tap).signum();
            let hunts = self.hunts(fleet, number, way);
            if let (Some(_), Some(undone)) = (hunts, self.truths.last_mut()) {
                undone.cause = Cause::Hunting;
            }
            let mut truth = self.truth(now, way);
            if let Some(clear) = hunts {
                truth.cause = Cause::Hunting; truth.clear = clear;
            }
            self.truths.push(truth);
            self.last = Some((now, way));
            self.tap = tap;
        }
    }

    fn hunts(&self, fleet: &Fleet, number: usize, way: i32) -> Option<bool> {
        let unit = &fleet.plan.regulators[number];
        let step_v = unit.nameplate.step_volts();
        if fleet.state.units[number].settings(&unit.settings).forward.bandwidth_v >= 2.0 * step_v {
            return None;
        }
        let (at, last) = self.last?;
        let now = self.parts.back()?;
        let then = self.parts.iter().find(|(t, _)| *t == at)?;
        if last == way || (now.0 - at).as_seconds_f64() > UNDONE_S {
            return None;
        }
        let moved = -f64::from(way) * (now.1.iter().sum::<f64>() - then.1.iter().sum::<f64>());
        (moved < step_v).then_some(moved < step_v / 1.5)
    }

    fn truth(&self, now: Timestamp, way: i32) -> Truth {
        let towards: Vec<(Timestamp, [f64; 4])> =
            self.parts.iter().map(|(at, parts)| (*at, parts.map(|v| -f64::from(way) * v))).collect();
        let (_, current) = *towards.last().unwrap();
        let sum = |parts: &[f64; 4]| parts.iter().sum::<f64>();
        let moved = |since: Timestamp| {
            let mut seen = towards.iter().rev().take_while(|(at, _)| *at >= since).collect::<Vec<_>>();
            seen.reverse();
            let (from, furthest) = *seen.into_iter().min_by(|a, b| sum(&a.1).total_cmp(&sum(&b.1))).unwrap();
            let mut parts: [f64; 4] = std::array::from_fn(|i| current[i] - furthest[i]);
            // What those upstream did before is supply by now.
            let just = now - TimeDelta::seconds(JUST_S);
            let stood = towards.iter().find(|(at, _)| *at >= just.max(from)).unwrap().1[3] - furthest[3];
            parts[0] += stood;
            parts[3] -= stood;
            (from, parts)
        };
        let (mut from, mut parts) = moved(now - TimeDelta::seconds(LOOK_BACK_S));
        if sum(&parts) < LITTLE_V {
            (from, parts) = moved(self.last.map_or(now - TimeDelta::seconds(LONGEST_S), |(at, _)| at));
        }
        let mut order = [0, 1, 2, 3];
        order.sort_by(|a, b| parts[*b].total_cmp(&parts[*a]));
        let undoes =
            self.last.is_some_and(|(at, last)| last == -way && (now - at).as_seconds_f64() <= UNDONE_S);
        let cause = if parts[order[0]] < MOVED_V && undoes { Cause::Hunting } else { PARTS[order[0]] };
        Truth { at: now, cause, clear: parts[order[0]] >= 1.5 * parts[order[1]].max(0.0), parts, from }
    }

    fn read(&mut self, reading: &Reading) {
        if let Some(operation) = self.watcher.observe(&self.facts, reading) {
            self.windows.push_back(operation.window());
        }
        while self.windows.front().is_some_and(|w| w.at < reading.measured_at - TimeDelta::minutes(40)) {
            self.windows.pop_front();
        }
        self.seen = Some(reading.measured_at);
    }
}

/// Some days of the whole fleet, polled so often: all with their truths, and each operation's assigned cause.
fn days(from: Timestamp, days: i64, poll_s: i64) -> (Vec<Watched>, Vec<(usize, Assigned)>) {
    let mut fleet = Fleet::new(1, from);
    for number in fleet.plan.regulators_at("Lanternfen") {
        fleet.plan.regulators[number].settings.forward.bandwidth_v = 0.6;
    }
    let mut watched: Vec<_> = (0..fleet.len()).map(|n| Watched::new(&fleet, n, poll_s as f64)).collect();
    let mut assigned = vec![];
    let (latitude, longitude) = utility::ORIGIN;
    for step in 1..=days * 8640 {
        let taps: Vec<i32> = fleet.state.units.iter().map(|u| u.tap).collect();
        fleet.advance_to(from + TimeDelta::seconds(10 * step));
        let sun = clear_sky(fleet.now(), latitude, longitude);
        for (number, unit) in watched.iter_mut().enumerate() {
            unit.know(&fleet, number, &taps, sun);
            if step * 10 % poll_s == 0
                && let Some(reading) = fleet.reading(number)
            {
                unit.read(&reading);
            }
        }
        if step % 30 == 0 {
            settle(&mut watched, fleet.now(), &mut assigned);
        }
    }
    (watched, assigned)
}

fn settle(watched: &mut [Watched], until: Timestamp, assigned: &mut Vec<(usize, Assigned)>) {
    for number in 0..watched.len() {
        if watched[number].watcher.pending() > 0 {
            let up: Vec<_> =
                watched[number].upstream.iter().flat_map(|u| watched[*u].windows.iter().copied()).collect();
            let unit = &mut watched[number];
            assigned.extend(unit.watcher.settle(&unit.facts, until, &up).into_iter().map(|a| (number, a)));
        }
    }
}

/// Each assigned cause beside the truth of the first operation in its window.
fn compare(
    watched: &[Watched],
    assigned: &[(usize, Assigned)],
    clear: bool,
    site: impl Fn(&str) -> bool,
) -> Confusion {
    let mut confusion = Confusion::default();
    for (number, assigned) in assigned.iter().filter(|(n, _)| site(&watched[*n].site)) {
        let operation = &assigned.operation;
        let truth = watched[*number].truths.iter().find(|t| operation.since < t.at && t.at <= operation.at);
        if let Some(truth) = truth.filter(|t| t.clear || !clear) {
            *confusion.0.entry((truth.cause, assigned.cause)).or_default() += 1;
            if std::env::var("VERBOSE").is_ok() {
                println!(
                    "E {number} {} since {} true {} {} from -{}s parts {:.2?} | {} {:.2} {} | {}",
                    truth.at.format("%dT%H:%M:%S"), operation.since.format("%H:%M:%S"), truth.cause.name(), if truth.clear { "clear" } else { "-" },
                    (truth.at - truth.from).num_seconds(), truth.parts, assigned.cause.name(), assigned.confidence, assigned.because,
                    assigned.evidence.iter().map(|f| format!("{} {:.2}", f.label, f.value)).collect::<Vec<_>>().join("; ")
                );
            }
        }
    }
    confusion
}

#[test]
fn causes_are_what_the_physics_knows_them_to_be() {
    let from: Timestamp = "2026-10-22T06:00:00Z".parse().unwrap();
    let stories: Vec<&str> = Fleet::new(1, from).stories().iter().map(|s| s.site).collect();
    for (poll_s, for_days) in [(10, 4), (60, 2)] {
        let (watched, assigned) = days(from, for_days, poll_s);
        let of = |clear, title: &str, site: &dyn Fn(&str) -> bool| {
            let confusion = compare(&watched, &assigned, clear, site);
            let which = if clear { ", one part the greatest by half" } else { "" };
            println!("{}", confusion.table(&format!("{title}, polled every {poll_s} s{which}")));
            confusion
        };
        for clear in [false, true] {
            let panels = of(clear, "Panels", &|s| s == utility::CLOUD_SITE);
            let cascade = of(clear, "Cascade", &|s| s == utility::CASCADE_SITE);
            let healthy = of(clear, "Sites without a story", &|s| !stories.contains(&s) && s != "Lanternfen");
            let all = of(clear, "All", &|_| true);
            for c in [Cause::Clouds, Cause::Hunting, Cause::Upstream] {
                println!("SHARE {poll_s} {} {}: {} of {} {:.1}", if clear {"clear"} else {"all"}, c.name(), all.of(|t| t == c, |a| a == c), all.of(|t| t == c, |_| true),
                    100.0 * all.of(|t| t == c, |a| a == c) as f64 / all.of(|t| t == c, |_| true) as f64);
            }
            // Polled as the fleet is. Where two parts moved the voltage nearly alike, the greater is a matter of tenths of a volt.
            let least = if clear { 0.9 } else { 0.8 };
            if poll_s == 10 {
                for of in [&panels, &cascade, &all] {
                    assert!(of.count() > 500 && of.right() >= least, "{of:?}");
                }
                assert!(healthy.right() >= 0.95, "{healthy:?}");
                let by = |of: &Confusion, cause| of.of(|_| true, |a| a == cause);
                assert!(by(&panels, Cause::Clouds) > 100 && by(&cascade, Cause::Upstream) > 100);
                assert!(by(&healthy, Cause::Clouds) + by(&healthy, Cause::Hunting) < healthy.count() / 50);
            }
        }
    }
}
