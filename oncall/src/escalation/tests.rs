use proptest::prelude::*;

use super::*;
use crate::Priority;

/// Seconds after the start, and what happens: "1" tells level 1, "-1" passes it over, "all" is the last resort.
type Told<'a> = (i64, u32, &'a str);

fn start_at() -> DateTime<Utc> {
    "2026-11-25T03:00:00Z".parse().unwrap()
}

fn at(after_s: i64) -> DateTime<Utc> {
    start_at() + Duration::seconds(after_s)
}

fn words(steps: &[Step]) -> Vec<(i64, u32, String)> {
    let word = |step: &Step| match (step.target, step.action) {
        (Target::LastResort, _) => "all".to_owned(),
        (Target::Level(level), Action::Tell) => level.to_string(),
        (Target::Level(level), Action::PassedOver(_)) => format!("-{level}"),
    };
    steps.iter().map(|s| ((s.due_at - start_at()).num_seconds(), s.round, word(s))).collect()
}

/// Everything until a time, looked at every `every_s`.
fn run(
    plan: &Plan,
    levels: u8,
    until_s: i64,
    every_s: usize,
    reach: fn(u8, i64) -> Reach,
) -> Vec<(i64, u32, String)> {
    let mut escalation = Escalation::start(plan, start_at());
    let mut steps = Vec::new();
    for now in (0..=until_s).step_by(every_s) {
        steps.extend(
            escalation
                .advance(plan, levels, at(now), |level, due| reach(level, (due - start_at()).num_seconds())),
        );
    }
    words(&steps)
}

fn expect(found: &[(i64, u32, String)], expected: &[Told<'_>]) {
    let found: Vec<Told<'_>> = found.iter().map(|(s, round, word)| (*s, *round, word.as_str())).collect();
    assert_eq!(found, expected);
}

const ALL: fn(u8, i64) -> Reach = |_, _| Reach::Reachable;

#[test]
fn levels_follow_each_other_then_everybody_then_again() {
    let critical = Plan::standard(Priority::Critical);
    let expected = [
        (0, 1, "1"),
        (300, 1, "2"),
        (600, 1, "3"),
        (900, 1, "all"),
        (1800, 2, "1"),
        (2100, 2, "2"),
        (2400, 2, "3"),
        (2700, 2, "all"),
        (3600, 3, "1"),
    ];
    // whether it is looked at every second, or now and then
    for every_s in [1, 7, 299] {
        expect(&run(&critical, 3, 3600 + 299, every_s, ALL)[..9], &expected);
    }
}

#[test]
fn each_priority_has_its_plan() {
    let table: [(Priority, u8, &[Told<'_>]); 4] = [
        (Priority::Critical, 2, &[(0, 1, "1"), (300, 1, "2"), (600, 1, "all"), (1500, 2, "1")]),
        (Priority::High, 3, &[(0, 1, "1"), (600, 1, "2"), (1200, 1, "3"), (1800, 1, "all")]),
        // more levels than times: the last wait is repeated
        (Priority::Medium, 3, &[(0, 1, "1"), (1800, 1, "2"), (3600, 1, "3"), (5400, 1, "all")]),
        (Priority::Low, 3, &[(0, 1, "1")]),
    ];
    for (priority, levels, expected) in table {
        let plan = Plan::standard(priority);
        assert_eq!(plan.check(), Ok(()));
        let found = run(&plan, levels, 30_000, 60, ALL);
        expect(&found[..expected.len()], expected);
        assert_eq!(found.len() == 1, priority == Priority::Low);
    }
}

#[test]
fn who_cannot_be_reached_is_passed_over_at_once() {
    let plan = Plan::standard(Priority::Critical);
    let none_at_1: fn(u8, i64) -> Reach =
        |level, _| if level == 1 { Reach::NobodyOnCall } else { Reach::Reachable };
    // the others keep the time they have to act
    expect(&run(&plan, 3, 900, 60, none_at_1), &[(0, 1, "-1"), (0, 1, "2"), (300, 1, "3"), (600, 1, "all")]);
    let only_later: fn(u8, i64) -> Reach = |_, due| if due < 300 { Reach::Reachable } else { Reach::NoWay };
    // asked for the time at which a level is due, not when somebody looks
    expect(&run(&plan, 2, 800, 400, only_later)[..3], &[(0, 1, "1"), (300, 1, "-2"), (300, 1, "all")]);
    let nobody: fn(u8, i64) -> Reach = |_, _| Reach::NoWay;
    expect(
        &run(&plan, 2, 900, 60, nobody),
        &[(0, 1, "-1"), (0, 1, "-2"), (0, 1, "all"), (900, 2, "-1"), (900, 2, "-2"), (900, 2, "all")],
    );
}

#[test]
fn without_levels_everybody_is_told_at_once() {
    let mut plan = Plan::standard(Priority::Critical);
    expect(&run(&plan, 0, 1000, 60, ALL), &[(0, 1, "all"), (900, 2, "all")]);
    plan.level_after_s = vec![120, 300];
    expect(&run(&plan, 0, 60, 60, ALL), &[(0, 1, "all")]);
    expect(&run(&plan, 1, 400, 60, ALL), &[(120, 1, "1"), (300, 1, "all")]);
}

#[test]
fn what_is_low_still_finds_somebody() {
    let plan = Plan::standard(Priority::Low);
    let only_3: fn(u8, i64) -> Reach =
        |level, _| if level == 3 { Reach::Reachable } else { Reach::NobodyOnCall };
    expect(&run(&plan, 4, 90_000, 60, only_3), &[(0, 1, "-1"), (0, 1, "-2"), (0, 1, "3")]);
    let nobody: fn(u8, i64) -> Reach = |_, _| Reach::NobodyOnCall;
    expect(&run(&plan, 1, 90_000, 60, nobody), &[(0, 1, "-1"), (0, 1, "all")]);
    // and goes on looking when the one found is refused
    let mut escalation = Escalation::start(&plan, start_at());
    escalation.advance(&plan, 2, at(0), |_, _| Reach::Reachable);
    assert!(escalation.is_over());
    assert!(escalation.refused(1, 1, at(45)));
    let steps = escalation.advance(&plan, 2, at(60), |_, _| Reach::Reachable);
    expect(&words(&steps), &[(45, 1, "2")]);
}

#[test]
fn a_refused_delivery_brings_the_next_level_on() {
    let plan = Plan::standard(Priority::Critical);
    let mut escalation = Escalation::start(&plan, start_at());
    let advance = |escalation: &mut Escalation, now| {
        words(&escalation.advance(&plan, 3, at(now), |_, _| Reach::Reachable))
    };
    expect(&advance(&mut escalation, 0), &[(0, 1, "1")]);
    assert!(!escalation.refused(1, 2, at(20)), "level 2 has not been told");
    assert!(escalation.refused(1, 1, at(30)));
    assert!(!escalation.refused(1, 1, at(31)), "a second refusal changes nothing");
    expect(&advance(&mut escalation, 60), &[(30, 1, "2")]);
    assert!(!escalation.refused(1, 1, at(70)), "level 1 is behind us");
    assert_eq!(escalation.next_at, Some(at(330)));
    assert!(!escalation.refused(1, 2, at(400)), "the next level is due sooner");
    // the last level refused: the last resort
    expect(&advance(&mut escalation, 330), &[(330, 1, "3")]);
    assert!(escalation.refused(1, 3, at(340)));
    expect(&advance(&mut escalation, 340), &[(340, 1, "all")]);
    assert_eq!(escalation.next_at, Some(at(340 + 900)));
    assert!(!escalation.refused(1, 3, at(350)), "a round that is over stays over");
}

#[test]
fn a_late_call_tells_what_was_missed_of_the_present_round_only() {
    let plan = Plan::standard(Priority::Critical);
    let mut escalation = Escalation::start(&plan, start_at());
    let steps = escalation.advance(&plan, 3, at(0), |_, _| Reach::Reachable);
    expect(&words(&steps), &[(0, 1, "1")]);
    let mut late = escalation.clone();
    let steps = late.advance(&plan, 3, at(700), |_, _| Reach::Reachable);
    expect(&words(&steps), &[(300, 1, "2"), (600, 1, "3")]);
    // a day later: rounds are half an hour each, so that round 49 began just then, and 48 ended with everybody a quarter of an hour before
    let steps = escalation.clone().advance(&plan, 3, at(86_400 - 1), |_, _| Reach::Reachable);
    expect(&words(&steps), &[(84_600, 48, "1"), (84_900, 48, "2"), (85_200, 48, "3"), (85_500, 48, "all")]);
    let steps = escalation.advance(&plan, 3, at(86_400), |_, _| Reach::Reachable);
    expect(&words(&steps), &[(86_400, 49, "1")]);
    assert_eq!(escalation.next_at, Some(at(86_700)));
}

#[test]
fn nothing_comes_after_a_stop() {
    let plan = Plan::standard(Priority::High);
    let mut escalation = Escalation::start(&plan, start_at());
    escalation.advance(&plan, 2, at(0), |_, _| Reach::Reachable);
    escalation.stop(Stop::Acknowledged);
    escalation.stop(Stop::Returned);
    assert_eq!(escalation.stopped, Some(Stop::Acknowledged));
    assert!(escalation.is_over());
    assert!(!escalation.refused(1, 1, at(10)));
    assert_eq!(escalation.advance(&plan, 2, at(90_000), |_, _| Reach::Reachable), []);
    // nor may a rota that has lost its levels wake it
    assert_eq!(escalation.advance(&plan, 0, at(90_000), |_, _| Reach::Reachable), []);
}

#[test]
fn a_rota_may_change_while_it_goes_on() {
    let plan = Plan::standard(Priority::Critical);
    let mut escalation = Escalation::start(&plan, start_at());
    escalation.advance(&plan, 3, at(300), |_, _| Reach::Reachable);
    let steps = escalation.advance(&plan, 1, at(600), |_, _| Reach::Reachable);
    expect(&words(&steps), &[(600, 1, "all")]);
}

#[test]
fn the_state_is_small_json_and_comes_back() {
    let plan = Plan::standard(Priority::Critical);
    let mut escalation = Escalation::start(&plan, start_at());
    escalation.advance(&plan, 3, at(300), |_, _| Reach::Reachable);
    let json = serde_json::to_string(&escalation).unwrap();
    assert!(json.len() < 250, "{json}");
    assert_eq!(serde_json::from_str::<Escalation>(&json).unwrap(), escalation);
}

#[test]
fn plans_that_make_no_sense_are_refused() {
    let plan = |times: &[u32], repeat_after_s| Plan {
        level_after_s: times.to_vec(),
        repeat_after_s,
        one_is_enough: false,
    };
    assert_eq!(plan(&[], Some(900)).check(), Err(Fault::NoTimes));
    assert_eq!(plan(&[0, 600, 300], Some(900)).check(), Err(Fault::Backwards(3)));
    assert_eq!(plan(&[0], Some(10)).check(), Err(Fault::TooOften(10)));
    assert_eq!(plan(&[0], None).check(), Err(Fault::NoRepeat));
}

proptest! {
    /// When it is looked at changes nothing: what is told, and what comes next, is as if it were looked at every minute; only of rounds that were
    /// over by then nothing is told.
    #[test]
    fn due_times_do_not_depend_on_when_it_is_looked_at(
        priority in 0..4_usize,
        levels in 0..5_u8,
        unreachable in prop::collection::vec(any::<bool>(), 97),
        waits_s in prop::collection::vec(1..9000_i64, 1..40),
    ) {
        let plan = Plan::standard(Priority::ALL[priority]);
        let reach = |level: u8, due: DateTime<Utc>| {
            let index = (due - start_at()).num_seconds() + i64::from(level) * 31;
            let found = unreachable[usize::try_from(index).unwrap() % unreachable.len()];
            if found { Reach::NoWay } else { Reach::Reachable }
        };
        let [mut now_and_then, mut often] = [0; 2].map(|_| Escalation::start(&plan, start_at()));
        let mut now_s = 0;
        for wait_s in waits_s {
            let mut all = Vec::new();
            for second in (now_s..now_s + wait_s).step_by(60) {
                all.extend(often.advance(&plan, levels, at(second), reach));
            }
            now_s += wait_s;
            all.extend(often.advance(&plan, levels, at(now_s), reach));
            let told = now_and_then.advance(&plan, levels, at(now_s), reach);
            let round = all.last().map(|step| step.round);
            prop_assert_eq!(told, all.into_iter().filter(|s| Some(s.round) == round).collect::<Vec<_>>());
            prop_assert_eq!(&now_and_then, &often);
        }
    }
}
