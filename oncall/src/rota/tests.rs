use chrono::Duration;
use proptest::prelude::*;

use super::{handovers::Handovers, *};

const ANN: PersonId = PersonId(1);
const BEN: PersonId = PersonId(2);
const CAT: PersonId = PersonId(3);

fn utc(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

/// Ann and Ben week about from Monday 2 March 2026, 08:00 in New York: clocks go forward on the 8th.
fn weekly() -> Rota {
    let level = Level {
        start: Some(Start { date: "2026-03-02".parse().unwrap(), time: "08:00:00".parse().unwrap() }),
        turns: vec![Share { person: ANN, days: 7 }, Share { person: BEN, days: 7 }],
        ..Level::default()
    };
    Rota { zone: chrono_tz::America::New_York, levels: vec![level], holidays: BTreeSet::new() }
}

fn instead(person: Option<PersonId>, from: &str, to: &str) -> Override {
    Override { person, from: utc(from), to: utc(to), why: "ill".to_owned() }
}

/// Person, beginning, end, layer.
type Row<'a> = (Option<PersonId>, &'a str, &'a str, Why);

fn expect(turns: &[Turn], rows: &[Row<'_>]) {
    let expected: Vec<Turn> = rows
        .iter()
        .map(|(p, from, to, why)| Turn { person: *p, from: utc(from), to: utc(to), why: *why })
        .collect();
    assert_eq!(turns, expected);
}

/// Eastern time is UTC-5, from 8 March 2026 UTC-4 (the time zone database).
#[test]
fn handovers_stay_at_the_local_time() {
    expect(
        &weekly().turns(1, utc("2026-02-01T00:00:00Z"), utc("2026-03-20T00:00:00Z")),
        &[
            (None, "2026-02-01T00:00:00Z", "2026-03-02T13:00:00Z", Why::Regular),
            (Some(ANN), "2026-03-02T13:00:00Z", "2026-03-09T12:00:00Z", Why::Regular),
            (Some(BEN), "2026-03-09T12:00:00Z", "2026-03-16T12:00:00Z", Why::Regular),
            (Some(ANN), "2026-03-16T12:00:00Z", "2026-03-23T12:00:00Z", Why::Regular),
        ],
    );
}

#[test]
fn an_override_hides_a_holiday_and_a_holiday_the_regular_turn() {
    let mut rota = weekly();
    rota.holidays = ["2026-03-03", "2026-03-17"].map(|d| d.parse().unwrap()).into();
    rota.levels[0].holidays = vec![BEN, CAT];
    rota.levels[0].overrides = vec![
        instead(Some(CAT), "2026-03-03T12:00:00Z", "2026-03-04T12:00:00Z"),
        instead(None, "2026-03-04T00:00:00Z", "2026-03-04T01:00:00Z"),
    ];
    expect(
        &rota.turns(1, utc("2026-03-03T00:00:00Z"), utc("2026-03-18T00:00:00Z")),
        &[
            (Some(ANN), "2026-03-02T13:00:00Z", "2026-03-03T05:00:00Z", Why::Regular),
            (Some(BEN), "2026-03-03T05:00:00Z", "2026-03-03T12:00:00Z", Why::Holiday),
            (Some(CAT), "2026-03-03T12:00:00Z", "2026-03-04T00:00:00Z", Why::Override),
            (None, "2026-03-04T00:00:00Z", "2026-03-04T01:00:00Z", Why::Override),
            (Some(CAT), "2026-03-04T01:00:00Z", "2026-03-04T12:00:00Z", Why::Override),
            (Some(ANN), "2026-03-04T12:00:00Z", "2026-03-09T12:00:00Z", Why::Regular),
            (Some(BEN), "2026-03-09T12:00:00Z", "2026-03-16T12:00:00Z", Why::Regular),
            (Some(ANN), "2026-03-16T12:00:00Z", "2026-03-17T04:00:00Z", Why::Regular),
            (Some(CAT), "2026-03-17T04:00:00Z", "2026-03-18T04:00:00Z", Why::Holiday),
        ],
    );
    // no list for holidays: they are ordinary days
    rota.levels[0].holidays.clear();
    assert_eq!(rota.on_call(1, utc("2026-03-17T12:00:00Z")), Some(ANN));
}

#[test]
fn next_is_the_turn_after_this_one() {
    let rota = weekly();
    let next = |at| rota.next(1, utc(at)).map(|turn| (turn.person, turn.from));
    assert_eq!(next("2026-03-03T00:00:00Z"), Some((Some(BEN), utc("2026-03-09T12:00:00Z"))));
    assert_eq!(next("2026-03-09T12:00:00Z"), Some((Some(ANN), utc("2026-03-16T12:00:00Z"))));
    assert_eq!(next("2025-01-01T00:00:00Z"), Some((Some(ANN), utc("2026-03-02T13:00:00Z"))));
    assert_eq!(rota.next(2, utc("2026-03-03T00:00:00Z")), None);
}

#[test]
fn a_swap_is_two_overrides() {
    let mut rota = weekly();
    let [first, second] =
        ["2026-03-03T00:00:00Z", "2026-03-10T00:00:00Z"].map(|at| rota.turn_at(1, utc(at)).unwrap());
    rota.levels[0].overrides.extend(swap(&first, &second));
    let after = rota.turns(1, first.from, second.to);
    let exchanged = |turn: Turn, person| Turn { person: Some(person), why: Why::Override, ..turn };
    assert_eq!(after, [exchanged(first, BEN), exchanged(second, ANN)]);
}

#[test]
fn everybody_is_whoever_is_listed_and_whoever_stands_in_now() {
    let mut rota = weekly();
    rota.levels[0].holidays = vec![CAT];
    let dan = PersonId(4);
    rota.levels[0].overrides = vec![instead(Some(dan), "2026-03-03T12:00:00Z", "2026-03-03T18:00:00Z")];
    assert_eq!(rota.everybody(utc("2026-03-03T11:00:00Z")), [ANN, BEN, CAT].into());
    assert_eq!(rota.everybody(utc("2026-03-03T12:00:00Z")), [ANN, BEN, CAT, dan].into());
}

#[test]
fn unknown_levels_and_empty_ones_have_nobody() {
    let (from, to) = (utc("2026-03-03T00:00:00Z"), utc("2026-03-04T00:00:00Z"));
    let mut rota = weekly();
    for level in [0, 2] {
        assert_eq!(rota.turns(level, from, to), []);
        assert_eq!(rota.on_call(level, from), None);
        assert_eq!(rota.level(level), Err(Fault::UnknownLevel { level, levels: 1 }));
    }
    assert_eq!(rota.turns(1, from, from), []);
    rota.levels[0].turns.clear();
    rota.levels[0].overrides = vec![instead(Some(CAT), "2026-03-03T12:00:00Z", "2026-03-05T12:00:00Z")];
    expect(
        &rota.turns(1, from, to),
        &[
            (None, "2026-03-03T00:00:00Z", "2026-03-03T12:00:00Z", Why::Regular),
            (Some(CAT), "2026-03-03T12:00:00Z", "2026-03-05T12:00:00Z", Why::Override),
        ],
    );
    assert_eq!(rota.next(1, from), None);
}

#[test]
fn faults_say_where() {
    assert_eq!(weekly().check(), []);
    let mut rota = weekly();
    rota.levels.push(Level::default());
    rota.levels[0].turns[1].days = 0;
    let empty = instead(Some(ANN), "2026-03-03T00:00:00Z", "2026-03-03T00:00:00Z");
    let one = instead(Some(ANN), "2026-03-03T00:00:00Z", "2026-03-04T00:00:00Z");
    rota.levels[0].overrides = vec![empty, one.clone(), Override { person: Some(BEN), ..one.clone() }, one];
    assert_eq!(
        rota.check(),
        [
            Fault::NoDays { level: 1, turn: 2 },
            Fault::EmptyOverride { level: 1, number: 1 },
            Fault::SameOverride { level: 1, number: 4, same_as: 2 },
            Fault::EmptyList { level: 2 },
            Fault::NoStart { level: 2 },
        ]
    );
    assert_eq!(
        rota.check()[0].to_string(),
        "turn 2 of level 1 lasts 0 days: give it 1 day or more, or take it out of the list"
    );
}

#[test]
fn a_rota_is_stored_as_json_that_can_be_read() {
    let json = r#"{"zone":"America/New_York","levels":[{"start":{"date":"2026-03-02","time":"08:00:00"},"turns":[{"person":1,"days":7},{"person":2,"days":7}],"holidays":[],"overrides":[]}],"holidays":[]}"#;
    assert_eq!(serde_json::to_string(&weekly()).unwrap(), json);
    assert_eq!(serde_json::from_str::<Rota>(json).unwrap(), weekly());
}

const ZONES: [Tz; 6] = [
    chrono_tz::America::New_York,
    chrono_tz::America::St_Johns,
    chrono_tz::Australia::Lord_Howe,
    chrono_tz::Europe::London,
    chrono_tz::America::Sao_Paulo,
    chrono_tz::Pacific::Apia,
];

prop_compose! {
    /// Any rota of one level about the end of 2011, when Samoa left out a day.
    fn any_rota()(
        zone in 0..ZONES.len(),
        start in 0..90_i64,
        time_min in 0..1440_i64,
        turns in prop::collection::vec((0..5_i32, 0..9_u16), 0..6),
        holidays in prop::collection::btree_set(0..200_i64, 0..8),
        persons in prop::collection::vec(5..8_i32, 0..3),
        overrides in prop::collection::vec((prop::option::of(8..12_i32), 0..4000_i64, -5..400_i64), 0..8),
    ) -> Rota {
        let day_0: NaiveDate = "2011-10-01".parse().unwrap();
        let hour_0 = utc("2011-10-01T00:30:00Z");
        let level = Level {
            start: Some(Start {
                date: day_0 + Duration::days(start),
                time: NaiveTime::MIN + Duration::minutes(time_min),
            }),
            turns: turns.into_iter().map(|(person, days)| Share { person: PersonId(person), days }).collect(),
            holidays: persons.into_iter().map(PersonId).collect(),
            overrides: overrides.into_iter().map(|(person, from, hours)| Override {
                person: person.map(PersonId),
                from: hour_0 + Duration::hours(from),
                to: hour_0 + Duration::hours(from + hours),
                why: String::new(),
            }).collect(),
        };
        let holidays = holidays.into_iter().map(|day| day_0 + Duration::days(day)).collect();
        Rota { zone: ZONES[zone], levels: vec![level], holidays }
    }
}

proptest! {
    #[test]
    fn turns_are_whole_and_without_gap(rota in any_rota(), from_min in 0..300_000_i64, for_min in 1..200_000_i64) {
        let from = utc("2011-09-20T00:00:00Z") + Duration::minutes(from_min);
        let to = from + Duration::minutes(for_min);
        let turns = rota.turns(1, from, to);
        prop_assert!(turns.first().unwrap().from <= from && turns.last().unwrap().to >= to);
        for turn in &turns {
            prop_assert!(turn.from < turn.to && turn.from < to && turn.to > from);
        }
        for pair in turns.windows(2) {
            prop_assert_eq!(pair[0].to, pair[1].from);
        }
    }

    /// Two ways to the same answer: painted layers, and the precedence looked up for the instant.
    #[test]
    fn on_call_agrees_with_the_turns(rota in any_rota(), from_min in 0..300_000_i64, steps in prop::collection::vec(1..5000_i64, 1..50)) {
        let mut at = utc("2011-09-20T00:00:00Z") + Duration::minutes(from_min);
        let turns = rota.turns(1, at, at + Duration::minutes(250_001));
        for step in steps {
            let turn = turns.iter().find(|t| t.from <= at && at < t.to).unwrap();
            prop_assert_eq!(rota.on_call(1, at), turn.person);
            prop_assert_eq!(rota.on_call(1, turn.to - Duration::seconds(1)), turn.person);
            at += Duration::minutes(step);
        }
    }

    /// A turn is the same whatever window it is looked at through.
    #[test]
    fn a_turn_does_not_depend_on_the_window(rota in any_rota(), from_min in 0..200_000_i64, at_min in 0..100_000_i64) {
        let from = utc("2011-09-20T00:00:00Z") + Duration::minutes(from_min);
        let at = from + Duration::minutes(at_min);
        let begun = Handovers::of(&rota.levels[0], rota.zone).is_some_and(|h| h.first() <= from);
        prop_assume!(begun);
        let turns = rota.turns(1, from, from + Duration::minutes(100_000));
        let index = turns.iter().position(|t| t.from <= at && at < t.to).unwrap();
        prop_assert_eq!(rota.turn_at(1, at), Some(turns[index]));
        if let Some(after) = turns.get(index + 1) {
            prop_assert_eq!(rota.next(1, at), Some(*after));
        }
    }
}
