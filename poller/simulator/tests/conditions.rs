//! A month of the fictional utility through every condition, polled as the demo's past is (every five minutes, in the last day every
//! 20 seconds) and once a minute throughout: all that the stories say is found, and nothing else is.
#![allow(clippy::unwrap_used, reason = "a test")]

use std::collections::{BTreeMap, BTreeSet};

use chrono::TimeDelta;
use regulator::{
    Phase, Reading, Timestamp,
    conditions::{
        BankDetector, BankUnit, Beside, Change, Condition, Member, RegulatorDetector, Scope, Settings,
        Transition, Unit,
    },
};
use simulator::{Fleet, history};

/// What was raised of which regulator, or of its bank at the bank's first, and when first; and how often.
type Found = BTreeMap<(usize, Condition), (u32, String)>;

/// The conditions of all regulators and banks, fed as the server feeds them.
struct Watch {
    regulators: Vec<(Unit, RegulatorDetector)>,
    banks: Vec<Bank>,
    /// Bank and phase of each regulator.
    places: Vec<(usize, Phase)>,
    found: Found,
}

struct Bank {
    first: usize,
    unit: BankUnit,
    detector: BankDetector,
}

impl Watch {
    fn new(fleet: &Fleet) -> Self {
        let mut watch = Self { regulators: vec![], banks: vec![], places: vec![], found: Found::new() };
        let members: Vec<_> = fleet.members().collect();
        let stories = fleet.stories();
        let mut first = 0;
        for bank in members.chunk_by(|a, b| a.site == b.site && a.bank == b.bank) {
            let mut settings = Settings::default();
            for set in stories.iter().filter(|s| s.site == bank[0].site).flat_map(|s| s.thresholds) {
                settings.set(set.condition, set.parameter, set.value);
            }
            for member in bank {
                watch.places.push((watch.banks.len(), member.phase));
                watch.regulators.push((Unit::new(member.nameplate, &settings), RegulatorDetector::new()));
            }
            let of: Vec<_> = bank.iter().map(|m| Member::new(m.phase, m.nameplate)).collect();
            let unit = BankUnit::new(bank[0].connection, &of, &settings);
            watch.banks.push(Bank { first, unit, detector: BankDetector::new() });
            first += bank.len();
        }
        watch
    }

    /// Of one instant, all banks first.
    fn observe(&mut self, readings: &[(usize, Reading)]) {
        for (number, reading) in readings {
            let (bank, phase) = self.places[*number];
            let bank = &mut self.banks[bank];
            let told = bank.detector.observe(&bank.unit, phase, reading);
            let first = bank.first;
            self.note(first, told);
        }
        for (number, reading) in readings {
            let (bank, phase) = self.places[*number];
            let bank = &self.banks[bank];
            let ganged = bank.detector.ganged(&bank.unit, phase, reading.measured_at);
            let (unit, detector) = &mut self.regulators[*number];
            let told = detector.observe_beside(unit, reading, &Beside { source: None, ganged });
            self.note(*number, told);
        }
    }

    fn note(&mut self, place: usize, told: Vec<Transition>) {
        // Whether silence is the endpoint's or nobody's is the poller's word, which is not asked here.
        let judged = |t: &Transition| t.change == Change::Raised && t.condition != Condition::ReadingsStale;
        for raised in told.into_iter().filter(judged) {
            let line = || (0, format!("{} {}", raised.at, raised.summary));
            self.found.entry((place, raised.condition)).or_insert_with(line).0 += 1;
        }
    }
}

/// What the stories say of a condition: by story, the places where it is expected, and where it may be.
fn wanted(
    fleet: &Fleet,
    which: fn(&simulator::stories::Story) -> &'static [Condition],
) -> Vec<BTreeSet<(usize, Condition)>> {
    let watch = Watch::new(fleet);
    let place = |number: usize, condition: Condition| match condition.scope() {
        Scope::Bank => watch.banks[watch.places[number].0].first,
        _ => number,
    };
    let mut wanted = vec![];
    for story in fleet.stories() {
        for condition in which(&story).iter().filter(|c| matches!(c.scope(), Scope::Regulator | Scope::Bank))
        {
            wanted.push(story.regulators.iter().map(|r| (place(*r, *condition), *condition)).collect());
        }
    }
    wanted
}

fn judge(fleet: &Fleet, cadence: &str, found: &Found) {
    let words = |places: &mut dyn Iterator<Item = &(usize, Condition)>| -> Vec<String> {
        let one = |(number, condition): &(usize, Condition)| {
            let member = fleet.member(*number).unwrap();
            let (times, first) = found.get(&(*number, *condition)).cloned().unwrap_or_default();
            format!("{} {} {}: {times} times, {first}", member.site, member.phase.name(), condition.name())
        };
        places.map(one).collect()
    };
    println!("polled {cadence}:\n  {}", words(&mut found.keys()).join("\n  "));
    let expected = wanted(fleet, |s| s.expected);
    let possible = wanted(fleet, |s| s.possible);
    let all: BTreeSet<_> = expected.iter().chain(&possible).flatten().copied().collect();
    let surplus = words(&mut found.keys().filter(|f| !all.contains(f)));
    let missing: Vec<_> = expected.iter().filter(|p| !p.iter().any(|f| found.contains_key(f))).collect();
    assert!(surplus.is_empty(), "polled {cadence}, raised where nothing was wrong:\n{}", surplus.join("\n"));
    assert!(missing.is_empty(), "polled {cadence}, not found: {missing:?}");
}

#[test]
fn every_condition_is_found_where_a_story_says_so_and_nowhere_else() {
    let start: Timestamp = "2026-10-21T12:00:00Z".parse().unwrap();
    let mut fleet = Fleet::new(1, start);
    let (mut by_the_minute, mut as_the_demo) = (Watch::new(&fleet), Watch::new(&fleet));
    let (last_day, end) = (start + TimeDelta::days(29), start + TimeDelta::days(30));
    for polled in history(&mut fleet, start, last_day, TimeDelta::minutes(1)) {
        by_the_minute.observe(&polled.readings);
        if (polled.at - start).num_minutes() % 5 == 0 {
            as_the_demo.observe(&polled.readings);
        }
    }
    let fine = TimeDelta::seconds(20);
    for polled in history(&mut fleet, last_day, end, fine) {
        if (polled.at - start).num_seconds() % 60 == 0 {
            by_the_minute.observe(&polled.readings);
        }
        as_the_demo.observe(&polled.readings);
    }
    judge(&fleet, "every minute", &by_the_minute.found);
    let clouds = fleet.stories().into_iter().find(|s| s.name == "clouds").unwrap();
    for number in clouds.regulators {
        assert!(by_the_minute.found.contains_key(&(number, Condition::CloudDrivenTapping)));
    }
    judge(&fleet, "as the demo's past", &as_the_demo.found);
}

/// The list for people says what the stories say.
#[test]
fn the_guide_to_the_demo_lists_every_story() {
    let guide = include_str!("../../../docs/demo.md");
    let mut missing = String::new();
    for story in Fleet::new(1, "2026-10-21T06:00:00Z".parse().unwrap()).stories() {
        let titles: Vec<_> = story.expected.iter().map(|c| c.title()).collect();
        let raised = if titles.is_empty() { "nothing".to_owned() } else { titles.join(", ") };
        let row = format!("| {} | {} | {} |", story.site, raised, story.text);
        if !guide.contains(&row) {
            missing += &row;
            missing.push('\n');
        }
    }
    assert!(missing.is_empty(), "docs/demo.md lacks\n{missing}");
}
