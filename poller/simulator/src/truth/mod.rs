//! Causes of operations against what the physics knows: the readings are all that `regulator::causes` has, the truth is taken from
//! currents, light and taps that no control reports.
//!
//! The truth of an operation: the voltage that the control holds is cut into parts (supply, the regulator's own load, the light on panels behind
//! it, taps upstream), and the part that moved it most towards the edge, from the furthest the other way within ten minutes, is the cause. An
//! upstream tap counts as one for three minutes, since [`Cause::Upstream`] says that it *just* tapped; what it did before is supply by then, as
//! it is in the world of `regulator/tests/causes`. Of two operations that undo each other within five minutes those are hunting which a
//! band of two steps would not have made (T. A. Short's least band, as there). The line's ratios are left out of the parts (they are within 10 % of
//! one), and loads elsewhere count as supply, as they do in `regulator::causes`.
//!
//! No site of the utility hunts, so that one of them has its band narrowed here.

mod confusion;
mod reason;

use std::collections::VecDeque;

use chrono::TimeDelta;
use regulator::causes::{Assigned, Cause, Facts, OperationWindow, Place, Watcher};
use regulator::{Nameplate, Reading, Timestamp};

use self::confusion::Confusion;
use self::reason::Known;
use crate::Fleet;
use crate::plan::utility;
use crate::sky::clear_sky;

/// The end of a branch, where a band narrower than a step disturbs nobody else.
const HUNTING_SITE: &str = "Lanternfen";
const NARROW_V: f64 = 0.6;

/// One regulator under its two observers.
struct Watched {
    site: String,
    facts: Facts,
    watcher: Watcher,
    upstream: Vec<usize>,
    windows: VecDeque<OperationWindow>,
    known: Known,
}

impl Watched {
    fn new(fleet: &Fleet, number: usize, poll_s: f64) -> Self {
        let member = fleet.member(number).unwrap();
        let place = Place::Coordinates { latitude: member.latitude, longitude: member.longitude };
        let unit = &fleet.plan.regulators[number];
        let own = fleet.plan.nodes.iter().position(|n| n.bank == Some(unit.bank)).unwrap();
        let above = fleet.above(own).skip(1).filter_map(|n| fleet.regulator_in(n, unit.conductor));
        let nameplate = Nameplate { poll_interval_s: poll_s, ..member.nameplate.clone() };
        Self {
            site: member.site.to_owned(),
            facts: Facts::new(&nameplate, place),
            watcher: Watcher::default(),
            upstream: above.collect(),
            windows: VecDeque::new(),
            known: Known::default(),
        }
    }

    fn read(&mut self, reading: &Reading) {
        if let Some(operation) = self.watcher.observe(&self.facts, reading) {
            self.windows.push_back(operation.window());
        }
        while self.windows.front().is_some_and(|w| w.at < reading.measured_at - TimeDelta::minutes(40)) {
            self.windows.pop_front();
        }
    }
}

/// Some days of the whole fleet, polled so often: all with their truths, and each operation's assigned cause.
fn days(from: Timestamp, days: i64, poll_s: i64) -> (Vec<Watched>, Vec<(usize, Assigned)>) {
    let mut fleet = Fleet::new(1, from);
    for number in fleet.plan.regulators_at(HUNTING_SITE) {
        fleet.plan.regulators[number].settings.forward.bandwidth_v = NARROW_V;
    }
    let mut watched: Vec<_> = (0..fleet.len()).map(|n| Watched::new(&fleet, n, poll_s as f64)).collect();
    let mut assigned = vec![];
    let (latitude, longitude) = utility::ORIGIN;
    for step in 1..=days * 8640 {
        let taps: Vec<i32> = fleet.state.units.iter().map(|u| u.tap).collect();
        fleet.advance_to(from + TimeDelta::seconds(10 * step));
        let sun = clear_sky(fleet.now(), latitude, longitude);
        for (number, unit) in watched.iter_mut().enumerate() {
            unit.known.observe(&fleet, number, &taps, sun);
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
        let mut truths = watched[*number].known.truths.iter();
        let truth = truths.find(|t| operation.since < t.at && t.at <= operation.at);
        if let Some(truth) = truth.filter(|t| t.clear || !clear) {
            *confusion.0.entry((truth.cause, assigned.cause)).or_default() += 1;
        }
    }
    confusion
}

#[test]
fn causes_are_what_the_physics_knows_them_to_be() {
    let from: Timestamp = "2026-10-22T06:00:00Z".parse().unwrap();
    let mut peculiar: Vec<&str> = Fleet::new(1, from).stories().iter().map(|s| s.site).collect();
    peculiar.push(HUNTING_SITE);
    for (poll_s, for_days) in [(10, 4), (60, 4)] {
        let (watched, assigned) = days(from, for_days, poll_s);
        let of = |title: &str, site: &dyn Fn(&str) -> bool| {
            let [all, clear] = [false, true].map(|clear| compare(&watched, &assigned, clear, site));
            all.print(&format!("{title}, polled every {poll_s} s"), &clear);
            (all, clear)
        };
        let (panels, _) = of("Panels", &|s| s == utility::CLOUD_SITE);
        let (cascade, _) = of("Cascade", &|s| s == utility::CASCADE_SITE);
        let (healthy, _) = of("Sites without a story", &|s| !peculiar.contains(&s));
        let (all, clear) = of("On the simulated utility", &|_| true);
        for cause in [Cause::Clouds, Cause::Hunting, Cause::Upstream] {
            for of in [&all, &clear] {
                assert!(of.of(|t, _| t == cause) > 100 && of.right_of(cause) >= 0.9, "{cause:?} {of:?}");
            }
        }
        for of in [&panels, &cascade, &healthy] {
            assert!(of.count() > 500 && of.right() >= 0.85, "{of:?}");
        }
        let wrong = healthy.of(|_, a| matches!(a, Cause::Clouds | Cause::Hunting));
        assert!(healthy.right() >= 0.95 && wrong < healthy.count() / 50, "{healthy:?}");
    }
}
