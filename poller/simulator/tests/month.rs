//! Thirty days of the fictional utility, polled once a minute, judged by plain counting code of this test's own: every story can
//! be seen in the readings, and everybody else stays inside all limits. One test, because the month is computed once.
#![allow(clippy::unwrap_used, clippy::cast_possible_truncation, reason = "a test")]

use std::collections::VecDeque;
use std::sync::LazyLock;

use chrono::TimeDelta;
use regulator::conditions::Condition;
use regulator::{Quantity as Q, Reading, Timestamp};
use simulator::stories::{Story, When};
use simulator::{Fleet, history};

const DAY_S: i64 = 86_400;
const MINUTE_S: i64 = 60;

/// What was counted of one regulator.
#[derive(Default)]
struct Count {
    last: Option<Reading>,
    /// Instant and operations, for the last day.
    recent: VecDeque<(i64, f64)>,
    operations: f64,
    most_an_hour: f64,
    most_a_day: f64,
    rollovers: u32,
    restarts: u32,
    outside_a: Spell,
    outside_b: Spell,
    reverse: Spell,
    manual: Spell,
    at_limit: Spell,
    lowest_v: f64,
    taps: Vec<i64>,
    missing: u32,
}

/// How long something has been so without a break, and the longest, seconds.
#[derive(Default)]
struct Spell {
    now: i64,
    longest: i64,
    days: std::collections::BTreeSet<i64>,
}

impl Spell {
    fn note(&mut self, so: bool, at: i64, limit: i64) {
        self.now = if so { self.now + MINUTE_S } else { 0 };
        self.longest = self.longest.max(self.now);
        if self.now > limit {
            self.days.insert((at - 7 * 3600) / DAY_S);
        }
    }
}

struct Month {
    fleet: Fleet,
    counts: Vec<Count>,
    /// Minutes of silence by endpoint.
    silent: Vec<u32>,
}

/// Wednesday midnight in the fleet's zone, in autumn: half the days have sun, the evenings are dark.
fn start() -> Timestamp {
    "2026-10-21T06:00:00Z".parse().unwrap()
}

static MONTH: LazyLock<Month> = LazyLock::new(|| {
    let mut fleet = Fleet::new(1, start());
    let limits: Vec<_> = fleet.members().map(|m| m.nameplate.clone()).collect();
    let mut counts: Vec<Count> =
        limits.iter().map(|_| Count { lowest_v: f64::MAX, ..Count::default() }).collect();
    let mut silent = vec![0; fleet.endpoint_count()];
    let to = start() + TimeDelta::days(30);
    for polled in history(&mut fleet, start(), to, TimeDelta::seconds(MINUTE_S)) {
        let mut seen = vec![false; counts.len()];
        for (number, reading) in polled.readings {
            seen[number] = true;
            count(&mut counts[number], &limits[number], reading);
        }
        for (count, _) in counts.iter_mut().zip(seen).filter(|(_, seen)| !seen) {
            count.missing += 1;
        }
        for endpoint in polled.silent {
            silent[endpoint] += 1;
        }
    }
    Month { fleet, counts, silent }
});

fn count(count: &mut Count, limits: &regulator::Nameplate, reading: Reading) {
    let at = reading.measured_at.timestamp();
    let of = |q| reading.good(q).unwrap();
    if let Some(last) = &count.last {
        let mut n = of(Q::Operations) - last.good(Q::Operations).unwrap();
        if n < -65_000.0 && limits.counter_modulus == 65_536 {
            count.rollovers += 1;
            n += 65_536.0;
        } else if n < 0.0 {
            count.restarts += 1;
            n = 0.0;
        }
        count.operations += n;
        if n > 0.0 {
            count.recent.push_back((at, n));
            while count.recent.front().is_some_and(|(t, _)| *t <= at - DAY_S) {
                count.recent.pop_front();
            }
            let within = |s| count.recent.iter().rev().take_while(|(t, _)| *t > at - s).map(|r| r.1).sum();
            count.most_an_hour = count.most_an_hour.max(within(3600));
            count.most_a_day = count.most_a_day.max(within(DAY_S));
        }
        // A position sensor that has missed a pulse puts itself right at neutral, with one operation.
        let put_right = f64::from(u8::from(of(Q::AtNeutral) == 1.0));
        let moved = (of(Q::Tap) - last.good(Q::Tap).unwrap()).abs();
        assert!(moved <= n + put_right || n == 0.0 && count.restarts > 0, "moved {moved} and counted {n}");
    }
    let volts = of(Q::LoadVoltage);
    count.lowest_v = count.lowest_v.min(volts);
    count.outside_a.note(!(114.0..=126.0).contains(&volts), at, 300);
    count.outside_b.note(!(110.0..=127.0).contains(&volts), at, 60);
    count.reverse.note(of(Q::RealPower) < -0.02 * limits.kva, at, 120);
    count.manual.note(of(Q::Automatic) == 0.0, at, 900);
    let tap = of(Q::Tap);
    let out_of_band = (volts - of(Q::SetVoltage)).abs() > of(Q::Bandwidth) / 2.0;
    let at_limit = tap >= f64::from(limits.tap_max) || tap <= f64::from(limits.tap_min);
    count.at_limit.note(at_limit && out_of_band, at, 300);
    count.taps.push(tap as i64);
    count.last = Some(reading);
}

/// The conditions whose default limits were passed.
fn found(count: &Count) -> Vec<Condition> {
    let mean = count.operations / 30.0;
    let excess = count.most_an_hour > 12.0
        || count.most_a_day > 60.0
        || count.most_a_day > 3.0 * mean && count.most_a_day >= 30.0;
    [
        (Condition::ExcessTapping, excess),
        (Condition::ReversePower, !count.reverse.days.is_empty()),
        (Condition::VoltageRangeA, !count.outside_a.days.is_empty()),
        (Condition::VoltageRangeB, !count.outside_b.days.is_empty()),
        (Condition::TapLimit, !count.at_limit.days.is_empty()),
        (Condition::NotAutomatic, !count.manual.days.is_empty()),
    ]
    .into_iter()
    .filter_map(|(condition, so)| so.then_some(condition))
    .collect()
}

fn story(name: &str) -> Story {
    MONTH.fleet.stories().into_iter().find(|s| s.name == name).unwrap()
}

fn counts_of(story: &Story) -> impl Iterator<Item = &'static Count> {
    story.regulators.iter().map(|r| &MONTH.counts[*r])
}

#[test]
fn every_story_is_there_and_everybody_else_is_well() {
    every_regulator_shows_what_its_story_says_and_nothing_else();
    healthy_regulators_tap_a_few_times_a_day();
    clouds_make_one_bank_tap_all_day_on_some_days_and_not_on_others();
    power_runs_back_on_many_noons_but_not_on_all();
    the_evening_peak_is_low_on_many_days_at_the_limit_of_eight_steps();
    the_endpoint_drops_out_four_times_and_returns();
    nobody_else_is_ever_silent();
    a_counter_rolls_over_once_and_a_control_starts_near_zero();
    one_bank_moves_in_lockstep_and_the_others_do_not();
    a_control_is_left_in_manual_and_stays_there();
}

/// What the plain code here can tell; `conditions.rs` judges the rest.
const PLAIN: [Condition; 6] = [
    Condition::ExcessTapping,
    Condition::ReversePower,
    Condition::VoltageRangeA,
    Condition::VoltageRangeB,
    Condition::TapLimit,
    Condition::NotAutomatic,
];

fn every_regulator_shows_what_its_story_says_and_nothing_else() {
    let stories = MONTH.fleet.stories();
    for (number, member) in MONTH.fleet.members().enumerate() {
        let told = |which: fn(&Story) -> &'static [Condition]| -> Vec<Condition> {
            let here = stories.iter().filter(|s| s.regulators.contains(&number));
            here.flat_map(which).copied().filter(|c| PLAIN.contains(c)).collect()
        };
        let (expected, possible) = (told(|s| s.expected), told(|s| s.possible));
        let found = found(&MONTH.counts[number]);
        let place = format!("{} {}", member.site, member.phase.name());
        assert!(expected.iter().all(|c| found.contains(c)), "{place}: {found:?} of {expected:?}");
        let allowed = |c: &Condition| expected.contains(c) || possible.contains(c);
        assert!(found.iter().all(allowed), "{place}: {found:?}, expected {expected:?}");
    }
}

fn healthy_regulators_tap_a_few_times_a_day() {
    let stories = MONTH.fleet.stories();
    let healthy: Vec<f64> = (0..MONTH.fleet.len())
        // distortion makes nobody tap
        .filter(|n| stories.iter().all(|s| s.name == "drives" || !s.regulators.contains(n)))
        .map(|n| MONTH.counts[n].operations / 30.0)
        .collect();
    assert!(healthy.len() > 60);
    let busy = healthy.iter().filter(|o| (4.0..=25.0).contains(*o)).count();
    assert!(busy * 100 >= healthy.len() * 95, "{healthy:?}");
    assert!(healthy.iter().all(|o| (1.0..=28.0).contains(o)), "{healthy:?}");
}

fn clouds_make_one_bank_tap_all_day_on_some_days_and_not_on_others() {
    for count in counts_of(&story("clouds")) {
        assert!(count.most_a_day > 90.0);
        assert!(count.most_an_hour > 12.0);
    }
}

fn power_runs_back_on_many_noons_but_not_on_all() {
    for count in counts_of(&story("noon reversal")) {
        assert!((12..=29).contains(&count.reverse.days.len()), "{:?}", count.reverse.days);
    }
}

fn the_evening_peak_is_low_on_many_days_at_the_limit_of_eight_steps() {
    for count in counts_of(&story("evening low")) {
        assert!(count.outside_a.days.len() >= 5, "{:?}", count.outside_a.days);
        assert!((110.5..113.5).contains(&count.lowest_v), "{}", count.lowest_v);
        assert_eq!(count.taps.iter().max(), Some(&8));
    }
}

fn the_endpoint_drops_out_four_times_and_returns() {
    let story = story("dropout");
    let When::Spells(spells) = &story.when else { panic!("{:?}", story.when) };
    let minutes: i64 = spells.iter().map(|(from, to)| (*to - *from).num_minutes()).sum();
    assert_eq!(spells.len(), 4);
    assert_eq!(i64::from(MONTH.silent[story.endpoint.unwrap()]), minutes);
    assert!(counts_of(&story).all(|c| i64::from(c.missing) == minutes));
}

fn nobody_else_is_ever_silent() {
    let known: Vec<_> = MONTH.fleet.stories().iter().filter_map(|s| s.endpoint).collect();
    for (endpoint, minutes) in MONTH.silent.iter().enumerate() {
        assert_eq!(*minutes > 0, known.contains(&endpoint), "endpoint {endpoint}");
    }
}

fn a_counter_rolls_over_once_and_a_control_starts_near_zero() {
    assert!(counts_of(&story("rollover")).all(|c| c.rollovers == 1 && c.restarts == 0));
    let replaced = story("replaced control");
    assert!(counts_of(&replaced).all(|c| c.restarts == 1 && c.operations < 1000.0));
    for (number, count) in MONTH.counts.iter().enumerate() {
        assert_eq!(count.restarts > 0, replaced.regulators.contains(&number), "regulator {number}");
    }
}

fn one_bank_moves_in_lockstep_and_the_others_do_not() {
    let lockstep = story("lockstep").regulators;
    let together = |r: &[usize]| r.windows(2).all(|w| MONTH.counts[w[0]].taps == MONTH.counts[w[1]].taps);
    assert!(together(&lockstep));
    let others = (0..MONTH.fleet.len() - 1).filter(|n| !lockstep.contains(n));
    assert!(others.map(|n| [n, n + 1]).all(|pair| !together(&pair)));
    assert!(MONTH.counts[lockstep[0]].operations > 30.0);
}

#[test]
fn a_delta_bank_has_two_regulators_between_three_wires() {
    let fleet = Fleet::new(1, start());
    let names: Vec<_> = fleet
        .stories()
        .iter()
        .find(|s| s.name == "open delta")
        .unwrap()
        .regulators
        .iter()
        .map(|r| fleet.member(*r).unwrap())
        .map(|m| (m.connection, m.phase))
        .collect();
    use regulator::{Connection::OpenDelta, Phase};
    assert_eq!(names, [(OpenDelta, Phase::AB), (OpenDelta, Phase::BC)]);
}

fn a_control_is_left_in_manual_and_stays_there() {
    let story = story("left in manual");
    let When::Since(since) = story.when else { panic!("{:?}", story.when) };
    let rest = (start() + TimeDelta::days(30) - since).num_seconds();
    assert_eq!(story.regulators.len(), 1);
    assert!(counts_of(&story).all(|c| c.manual.longest == rest));
}

#[test]
fn the_utility_is_of_the_size_it_should_be() {
    let fleet = Fleet::new(1, start());
    let sites: std::collections::BTreeSet<_> = fleet.members().map(|m| m.site.to_owned()).collect();
    let feeders: std::collections::BTreeSet<_> = fleet.members().map(|m| m.feeder.to_owned()).collect();
    assert_eq!((sites.len(), feeders.len(), fleet.len()), (36, 12, 101));
}

#[test]
fn going_on_from_a_snapshot_is_the_same_as_never_having_stopped() {
    let mut whole = Fleet::new(3, start());
    let mut halves = Fleet::new(3, start());
    whole.advance_to(start() + TimeDelta::hours(30));
    halves.advance_to(start() + TimeDelta::hours(11));
    let kept = serde_json::to_value(halves.snapshot()).unwrap();
    let mut halves = Fleet::restore(serde_json::from_value(kept).unwrap()).unwrap();
    halves.advance_to(start() + TimeDelta::hours(30));
    for number in 0..whole.len() {
        assert_eq!(whole.reading(number), halves.reading(number));
    }
}
