//! Stories of one place's transitions, seconds after a fixed midnight.

use proptest::prelude::{ProptestConfig, any, prop, prop_assert, prop_assert_eq, proptest};

use super::*;

const FIRST: Condition = Condition::ReversePower;
const SECOND: Condition = Condition::VoltageRangeA;

fn at(seconds: i64) -> Timestamp {
    Timestamp::from_timestamp(1_767_225_600, 0).unwrap() + TimeDelta::seconds(seconds)
}

fn transition(s: i64, condition: Condition, change: Change) -> Transition {
    Transition { condition, change, at: at(s), summary: "so".to_owned(), facts: vec![] }
}

fn pass(chatter: &mut Chatter, s: i64, condition: Condition, change: Change) -> Vec<String> {
    let mut told = vec![transition(s, condition, change)];
    chatter.pass(at(s), &mut told);
    lines(&told)
}

fn quiet(chatter: &mut Chatter, s: i64) -> Vec<String> {
    let mut told = vec![];
    chatter.pass(at(s), &mut told);
    lines(&told)
}

fn lines(told: &[Transition]) -> Vec<String> {
    let line = |t: &Transition| {
        format!("{} {} {:?}: {}", (t.at - at(0)).num_seconds(), t.condition.name(), t.change, t.summary)
    };
    told.iter().map(line).collect()
}

/// Raised and returned so many times, every so many seconds.
fn flap(chatter: &mut Chatter, from_s: i64, every_s: i64, times: i64) -> Vec<String> {
    (0..times)
        .flat_map(|i| {
            let s = from_s + i * every_s;
            let mut told = pass(chatter, s, FIRST, Change::Raised);
            told.extend(pass(chatter, s + every_s / 2, FIRST, Change::Returned));
            told
        })
        .collect()
}

#[test]
fn the_fourth_raise_within_an_hour_is_told_and_held() {
    let mut chatter = Chatter::default();
    assert_eq!(flap(&mut chatter, 0, 600, 3).len(), 6, "three times is told as ever");
    assert_eq!(
        pass(&mut chatter, 1800, FIRST, Change::Raised),
        ["1800 reverse_power Raised: so; chattering: 4th time within an hour, held until quiet for 30 min"]
    );
    assert!(chatter.holds(FIRST));
    assert!(pass(&mut chatter, 2000, FIRST, Change::Returned).is_empty());
    assert!(flap(&mut chatter, 2400, 600, 5).is_empty(), "swallowed, the last return at 5100");
    assert!(quiet(&mut chatter, 6899).is_empty());
    assert_eq!(
        quiet(&mut chatter, 7000),
        ["5100 reverse_power Returned: so; raised 5 more times while it chattered, quiet for 30 min"]
    );
    assert!(!chatter.holds(FIRST));
}

#[test]
fn the_facts_carry_the_counts() {
    let mut chatter = Chatter::default();
    flap(&mut chatter, 0, 60, 3);
    let mut told = vec![transition(200, FIRST, Change::Raised)];
    chatter.pass(at(200), &mut told);
    assert_eq!(
        told[0].facts,
        [fact("Raised within an hour", 4.0, ""), fact("Held until quiet for", 1800.0, "s")]
    );
    flap(&mut chatter, 300, 60, 2);
    let mut told = vec![];
    chatter.pass(at(10_000), &mut told);
    assert_eq!(told[0].facts, [fact("Raised while held", 2.0, ""), fact("Chattered for", 190.0, "s")]);
}

#[test]
fn four_raises_over_more_than_an_hour_are_no_chattering() {
    let mut chatter = Chatter::default();
    assert_eq!(flap(&mut chatter, 0, 1200, 50).len(), 100, "every twenty minutes: three within any hour");
    let mut chatter = Chatter::default();
    assert_eq!(flap(&mut chatter, 0, 1199, 4).len(), 7, "the fourth 59 min 57 s after the first");
}

#[test]
fn conditions_chatter_each_for_itself() {
    let mut chatter = Chatter::default();
    flap(&mut chatter, 0, 60, 4);
    assert!(chatter.holds(FIRST) && !chatter.holds(SECOND));
    assert_eq!(pass(&mut chatter, 300, SECOND, Change::Raised), ["300 voltage_range_a Raised: so"]);
    assert_eq!(pass(&mut chatter, 310, SECOND, Change::Returned), ["310 voltage_range_a Returned: so"]);
}

#[test]
fn what_falls_due_is_told_before_what_comes_after_it() {
    let mut chatter = Chatter::default();
    flap(&mut chatter, 0, 60, 4);
    // returned at 210, so due at 2010
    let told = pass(&mut chatter, 5000, FIRST, Change::Raised);
    assert_eq!(told.len(), 2, "{told:?}");
    assert!(told[0].starts_with("210 reverse_power Returned"));
    assert_eq!(told[1], "5000 reverse_power Raised: so", "an hour on, it begins anew");
}

#[test]
fn one_that_begins_again_soon_after_is_held_at_once() {
    let mut chatter = Chatter::default();
    flap(&mut chatter, 0, 60, 4);
    let told = pass(&mut chatter, 2100, FIRST, Change::Raised);
    assert!(told[1].contains("chattering: 4th time within an hour"), "{told:?}");
}

#[test]
fn nothing_is_kept_of_what_was_raised_long_ago() {
    let mut chatter = Chatter::default();
    flap(&mut chatter, 0, 600, 2);
    assert!(!chatter.is_empty());
    quiet(&mut chatter, 4199);
    assert!(!chatter.is_empty());
    quiet(&mut chatter, 4200);
    assert!(chatter.is_empty());
    assert_eq!(serde_json::to_string(&chatter).unwrap(), "[]");
}

#[test]
fn the_state_stays_small_however_long_it_chatters() {
    let mut chatter = Chatter::default();
    flap(&mut chatter, 0, 20, 5000);
    let text = serde_json::to_string(&chatter).unwrap();
    assert!(text.len() < 400, "{text}");
    assert_eq!(serde_json::from_str::<Chatter>(&text).unwrap(), chatter);
}

#[test]
fn a_clock_that_had_jumped_ahead_does_not_keep_an_alarm_standing() {
    let mut chatter = Chatter::default();
    let year = 31_536_000;
    flap(&mut chatter, year, 60, 4);
    chatter.forget(at(1000));
    assert!(quiet(&mut chatter, 2799).is_empty());
    let told = quiet(&mut chatter, 2800);
    assert!(told[0].starts_with("1000 reverse_power Returned"), "{told:?}");
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(256) })]

    /// Whatever comes: told raises and returns take turns; nothing is told early, twice or out of order; and storing, or
    /// looking at what is known anyway, changes nothing.
    #[test]
    fn raises_and_returns_take_turns_however_it_is_cut(
        steps in prop::collection::vec((0..1500_i64, any::<bool>()), 1..120),
        cuts in any::<u64>(),
    ) {
        let (mut whole, mut pieces) = (Chatter::default(), Chatter::default());
        let (mut of_whole, mut of_pieces) = (vec![], vec![]);
        let (mut s, mut active) = (0, [false; 2]);
        for (place, (after, first)) in (0_u32..).zip(&steps) {
            s += after;
            let which = usize::from(!first);
            active[which] = !active[which];
            let change = if active[which] { Change::Raised } else { Change::Returned };
            let condition = if *first { FIRST } else { SECOND };
            let (mut a, mut b) = (vec![transition(s, condition, change)], vec![]);
            if cuts.rotate_left(place) & 1 == 1 {
                pieces = serde_json::from_str(&serde_json::to_string(&pieces).unwrap()).unwrap();
                pieces.release(at(s), &mut of_pieces);
            }
            b.extend(a.clone());
            whole.pass(at(s), &mut a);
            pieces.pass(at(s), &mut b);
            of_whole.extend(a);
            of_pieces.extend(b);
        }
        for (chatter, told) in [(&mut whole, &mut of_whole), (&mut pieces, &mut of_pieces)] {
            let mut rest = vec![];
            chatter.pass(at(s + 7200), &mut rest);
            told.extend(rest);
        }
        prop_assert_eq!(&of_whole, &of_pieces);
        for (which, condition) in [FIRST, SECOND].into_iter().enumerate() {
            let of_it: Vec<_> = of_whole.iter().filter(|t| t.condition == condition).collect();
            for (i, t) in of_it.iter().enumerate() {
                prop_assert_eq!(t.change == Change::Raised, i % 2 == 0);
            }
            prop_assert!(of_it.windows(2).all(|w| w[0].at <= w[1].at));
            prop_assert_eq!(of_it.len() % 2 == 1, active[which], "it ends as the condition did");
            let raises: Vec<_> = of_it.iter().filter(|t| t.change == Change::Raised).map(|t| t.at).collect();
            // the fourth is the last for at least the hold time
            prop_assert!(raises.windows(5).all(|w| w[4] - w[0] >= HOLD));
        }
    }
}
